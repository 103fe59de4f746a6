/* The card: why a bank or a property stands where it stands. Text is only ever set as textContent. */

const NEEDS = {
  both: "Likely to erode, and the strip is missing",
  erosion_only: "Likely to erode, though the strip is there: go and look first",
  gap_only: "The strip is missing; erosion is not likely",
  none: "Neither score is high",
};
const SEEN = {
  both: "Erodes, and the strip is missing",
  erosion_only: "Erodes, though the strip is there: go and look first",
  gap_only: "The strip is missing; erodes in part",
  none: "Erodes in part; neither score is high",
};
const SIDES = ["Left bank, looking downstream", "Right bank, looking downstream"];
const LINES = { given: "data", water_edge: "edge of water", half_width: "half bankfull width" };
const BASES = { measured: "measured", modelled: "modelled", default: "not known: a stated default", missing: "not known" };
const UNKNOWN = "not known";

/* A value in the units people chose. */
function quantity(world, value, unit) {
  if (value === null || value === undefined || Number.isNaN(value)) return UNKNOWN;
  if (unit === "share") return `${plain(100 * value, 0)} %`;
  const [factor, name] = world.about.units[unit] || [1, unit], shown = value * factor;
  const small = Math.abs(shown) < 1, most = Math.abs(shown) < 10 ? 1 : 0;
  const text = small ? shown.toLocaleString("en-US", { maximumSignificantDigits: 2 }) : plain(shown, most);
  return name ? `${text} ${name}` : text;
}

/* A priority, always with one decimal, so that a list of them lines up. */
function tenth(value) {
  return Number.isNaN(value) ? UNKNOWN : value.toFixed(1);
}

function score(value) {
  return Number.isNaN(value) ? UNKNOWN : plain(value, 0);
}

function nameOf(world, bank) {
  return world.reaches.name(world.banks.reach[bank]) || "Unnamed stream";
}

function fillCard(world, state, chosen) {
  const made = { bank: bankCard, property: propertyCard, site: siteCard }[chosen.kind](world, chosen.row);
  byId("card-head").replaceChildren(...made.head);
  byId("card-body").replaceChildren(...made.body.filter(Boolean));
  markPick(state, chosen);
}

function markPick(state, chosen) {
  const on = isPicked(state, chosen);
  byId("card-pick").setAttribute("aria-pressed", String(on));
  byId("card-pick").textContent = on ? "On my list" : "Add to my list";
}

function bankCard(world, bank) {
  const banks = world.banks, now = world.now, head = [foreign("h2", "", nameOf(world, bank))];
  head.push(element("p", "", SIDES[banks.side[bank]]), foreign("p", "quiet", banks.id[bank]));
  if (Number.isNaN(now.rank[bank])) {
    head.push(element("p", "need", "Not ranked"), foreign("p", "why", banks.not_ranked(bank) || banks.why(bank)));
  } else {
    head.push(rankLine(now.rank[bank], world.orders[0].ranked, now.priority[bank]));
    head.push(element("p", "need", needOf(world, bank)));
    if (world.moved) head.push(movedLine(`the run has rank ${plain(world.run.now.rank[bank], 0)}`));
    head.push(foreign("p", "why", `${world.moved ? "In the run: " : ""}${banks.why(bank)}`));
  }
  const body = [sureness(world, banks, bank, world.run.now.rank[bank], world.orders[0].ranked), ...groups(world, bank), bankFacts(world, bank)];
  return { head, body: [...body, rulesOfBank(world, bank), profileBlock(world, bank), onProperties(world, bank)] };
}

function movedLine(more) {
  return element("p", "moved", `By the weights moved on this page; ${more}.`);
}

/* How far the rank moved in the draws of the run. */
function sureness(world, table, row, rank, ranked) {
  const low = table.rank_p05[row], high = table.rank_p95[row], share = table.top_share[row];
  if (Number.isNaN(low) || Number.isNaN(rank)) return null;
  const block = element("section", "sure"), middle = table.rank_p50 ? table.rank_p50[row] : NaN, top = plain(world.about.top_n, 0);
  const among = Number.isNaN(share) ? "" : ` It was among the first ${top} in ${plain(100 * share, 0)} % of them.`;
  block.append(element("h3", "", world.moved ? "How sure the rank of the run is" : "How sure the rank is"), intervalDrawing(low, middle, high, rank, ranked));
  const range = low === high ? `At rank ${plain(low, 0)}` : `Between rank ${plain(low, 0)} and ${plain(high, 0)}`;
  block.append(element("p", "quiet", `${range} in 90 of 100 draws with other weights and with errors.${among}`));
  return block;
}

/* What each rule that was judged asks of this bank. */
function rulesOfBank(world, bank) {
  if (world.setbacks.length < 2) return null;
  const block = element("section", "group"), of = (rule, name, unit) => quantity(world, rule[name][bank], unit);
  const table = rulesTable(world, (rule) => [of(rule, "setback_m", "m"), of(rule, "gap_length_m", "m"), of(rule, "gap_area_m2", "m2")]);
  block.append(element("h3", "", "Under each setback rule"), table);
  return block;
}

/* A line for each setback rule that was judged: its name, and its setback, gap and gap area as told. */
function rulesTable(world, told) {
  const table = element("table", "rules"), head = element("tr");
  for (const text of ["Rule", "Setback", "Gap", "Gap area"]) head.append(element("th", "", text));
  table.append(head, ...world.setbacks.map((rule) => element("tr", "", foreign("th", "", rule.rule), ...told(rule).map((text) => element("td", "", text)))));
  return table;
}

function profileBlock(world, bank) {
  const made = profileDrawing(world, world.banks.reach[bank]);
  if (!made) return null;
  const block = element("section", "group");
  block.append(element("h3", "", "Long profile of the stream"), made);
  return block;
}

/* Properties this bank runs along, each opening its own card. */
function onProperties(world, bank) {
  if (!world.frontages) return null;
  const rows = [...new Set([...world.frontages.property].filter((_, k) => world.frontages.bank[k] === bank))].filter((row) => row >= 0);
  if (!rows.length) return null;
  const block = element("section", "group"), list = element("ul", "links");
  for (const row of rows) list.append(linkLine("property", row, propertyName(world, row)));
  block.append(element("h3", "", "On"), list);
  return block;
}

function linkLine(kind, row, text, more) {
  const line = element("li"), button = foreign("button", "link", text);
  button.type = "button";
  button.dataset.kind = kind;
  button.dataset.row = row;
  line.append(button);
  if (more) line.append(" ", element("small", "", more));
  return line;
}

function needWord(world, bank) {
  const code = world.now.need[bank];
  return code < 0 ? null : world.needs[code].need;
}

function needOf(world, bank) {
  const need = needWord(world, bank);
  const seen = world.factors.some((factor) => factor.floors && factor.value[bank] > 0);
  if (Number.isNaN(world.now.gap_score[bank]) && need === "erosion_only") return `${seen ? "Erodes" : "Likely to erode"}; the strip was not measured`;
  return (seen ? SEEN : NEEDS)[need] || UNKNOWN;
}

function rankLine(rank, ranked, priority) {
  const line = element("p", "rank");
  line.append(element("b", "", `Rank ${plain(rank, 0)}`), element("span", "", `of ${plain(ranked, 0)}`));
  if (priority !== undefined) line.append(element("span", "quiet", `priority ${tenth(priority)} of 100`));
  return line;
}

/* Factors under the score they feed, then those that are shown but not ranked on. */
function groups(world, bank) {
  const titles = { erosion: "Erosion", gap: "Missing strip" }, out = [];
  const speaks = (factor) => factor.used || (factor.floors && factor.value[bank] > 0);
  const ranked = !Number.isNaN(world.now.rank[bank]), known = world.now.known;
  for (const group of ["erosion", "gap"]) {
    const used = world.factors.filter((factor) => factor.group === group && speaks(factor));
    if (!used.length) continue;
    const share = known.includes(group) ? `${world.now.share[group]} % of the priority` : "not ranked on here";
    out.push(groupBlock(world, bank, [titles[group], share], ranked ? score(world.now[`${group}_score`][bank]) : "", used));
  }
  const rest = world.factors.filter((factor) => !factor.used && !factor.floors);
  if (rest.length) out.push(groupBlock(world, bank, ["Shown, not ranked on", ""], "", rest));
  return out;
}

function groupBlock(world, bank, [title, share], total, factors) {
  const block = element("section", "group"), heading = element("h3", "", title);
  heading.append(element("small", "", share), element("span", "", total));
  block.append(heading, ...factors.map((factor) => factorLine(world, bank, factor)));
  return block;
}

function factorLine(world, bank, factor) {
  const box = element("div", "factor"), line = element("p", "line"), bar = element("div", "bar");
  const value = factor.score[bank], filled = element("i");
  line.append(element("b", "", factor.title), element("span", "", quantity(world, factor.value[bank], factor.unit)));
  filled.style.width = `${Number.isNaN(value) ? 0 : value}%`;
  bar.append(filled);
  const notes = element("small"), basis = factor.basis(bank);
  notes.append(element("span", "", BASES[basis] || basis || UNKNOWN));
  notes.append(element("span", "", `score ${score(value)}${factor.floors ? ", the least of the group" : ""}${factor.used ? `, weight ${plain(world.now.weights[world.factors.indexOf(factor)] / 10, 1)} %` : ""}`));
  box.title = factor.says;
  box.append(line, bar, notes);
  return box;
}

function facts(rows) {
  const list = element("dl", "facts");
  for (const [name, value] of rows) list.append(element("dt", "", name), foreign("dd", "", value));
  return list;
}

function bankFacts(world, bank) {
  const banks = world.banks, of = (name, unit) => quantity(world, banks[name][bank], unit);
  const rows = [
    ["Length", of("length_m", "m")],
    ["Buffer width, median", of("buffer_width_m", "m")],
    [`Setback (${banks.setback_kind(bank)})`, of("setback_m", "m")],
    ["Gap", of("gap_length_m", "m")],
    ["Gap area", of("gap_area_m2", "m2")],
    ["Works done", doneBeside(world, bank)],
    ["Woody share of strip", `${of("woody_share", "share")}${tail(banks.woody_share_basis(bank))}`],
    ["Beside the stream", banks.adjacent_cover(bank) || UNKNOWN],
    ["Bank line from", lineFrom(world, bank)],
    ["Stream order", plain(world.reaches.strahler_order[banks.reach[bank]], 0)],
    ["Drainage area", quantity(world, world.reaches.drainage_area_km2[banks.reach[bank]], "km2")],
  ];
  for (const [name, title] of [["erosion_above_share", "Length high in erosion"], ["gap_above_share", "Length high in gap"]]) {
    if (!Number.isNaN(banks[name][bank])) rows.push([title, of(name, "share")]);
  }
  if (banks.crossing_length_m[bank] > 0) rows.push(["Under crossings", of("crossing_length_m", "m")]);
  return facts([...rows, ...groundFacts(world, bank)]);
}

function lineFrom(world, bank) {
  const banks = world.banks, from = LINES[banks.bank_line_basis(bank)] || UNKNOWN, moved = Math.abs(banks.recentred_m[bank]);
  return moved >= 0.05 ? `${from}, moved ${quantity(world, moved, "m")}` : from;
}

function doneBeside(world, bank) {
  const year = world.banks.done_year[bank], done = [world.banks.done_kind(bank), Number.isNaN(year) ? null : String(year)].filter(Boolean);
  return done.length ? done.join(", ") : "none known";
}

/* What stands in the way of planting, what is left to plant, what two dated bank lines could not show. */
function groundFacts(world, bank) {
  const banks = world.banks, of = (name, unit) => quantity(world, banks[name][bank], unit), rows = [];
  const along = banks.constrained_length_m[bank], least = banks.least_retreat_m_y[bank];
  if (along > 0) rows.push(["Constraints", `${banks.constraint(bank)}, along ${of("constrained_length_m", "m")}`]);
  else if (along === 0) rows.push(["Constraints", "none"]);
  if (!Number.isNaN(banks.plantable_area_m2[bank])) rows.push(["Gap free to plant", of("plantable_area_m2", "m2")]);
  if (!Number.isNaN(least) && !retreats(world, bank)) rows.push(["Retreat", `none over ${of("least_retreat_m_y", "m/y")}, the least that shows`]);
  return rows;
}

function retreats(world, bank) {
  return world.factors.some((factor) => factor.unit === "m/y" && factor.floors && factor.value[bank] > 0);
}

function tail(basis) {
  return basis === "modelled" ? " (coarse)" : "";
}

function propertyCard(world, row) {
  const land = world.properties, now = world.now.property, of = (name, unit) => quantity(world, land[name][row], unit);
  const head = [foreign("h2", "", propertyName(world, row))];
  const unknown = Number.isNaN(land.gap_length_m[row]);
  const reason = unknown ? "its metres of gap are not known" : "none of its banks is ranked";
  if (Number.isNaN(now.rank[row])) head.push(element("p", "need", `Not ranked: ${reason}`));
  else head.push(rankLine(now.rank[row], land.ranked));
  if (world.moved && !Number.isNaN(now.rank[row])) head.push(movedLine(now.kept ? "properties keep the rank of the run" : `the run has rank ${plain(land.rank[row], 0)}`));
  const says = "Properties are ranked by the mean priority of their banks times their length of gap.";
  const rows = [
    ["Frontage, both sides counted", of("frontage_m", "m")],
    ["Gap", of("gap_length_m", "m")],
    ["Gap area", of("gap_area_m2", "m2")],
    ["Mean priority", tenth(now.priority[row])],
    ["Works done", doneOn(world, row)],
  ];
  const joint = land.joint_neighbours(row), meets = joint ? [neighbourLine(joint)] : [];
  if (land.joint_gap_m[row] > 0) rows.push(["Joint gap", of("joint_gap_m", "m")]);
  const sure = sureness(world, land, row, land.rank[row], land.ranked);
  return { head, body: [sure, facts(rows), ...meets, element("p", "quiet why", says), banksOn(world, row), sitesOn(world, row)] };
}

function doneOn(world, row) {
  return world.properties.done(row) || "none known";
}

function frontageOf(world, row) {
  const front = world.frontages, out = [];
  if (front) front.property.forEach((of, k) => { if (of === row) out.push({ bank: front.bank[k], length: front.frontage_mm[k] / 1000 }); });
  return out;
}

function banksOn(world, row) {
  const own = frontageOf(world, row).sort((a, b) => (world.now.rank[a.bank] || 1e9) - (world.now.rank[b.bank] || 1e9) || a.bank - b.bank);
  if (!own.length) return null;
  const block = element("section", "group"), list = element("ul", "links");
  for (const { bank, length } of own) {
    const rank = Number.isNaN(world.now.rank[bank]) ? "not ranked" : `rank ${plain(world.now.rank[bank], 0)}`;
    list.append(linkLine("bank", bank, `${nameOf(world, bank)}, ${sideWord(world, bank)}`, `${rank}, ${quantity(world, length, "m")}`));
  }
  block.append(element("h3", "", "Its banks"), list);
  return block;
}

function sitesOn(world, row) {
  if (!world.sites) return null;
  const own = [...world.sites.property.keys()].filter((site) => world.sites.property[site] === row);
  if (!own.length) return null;
  const block = element("section", "group"), list = element("ul", "links");
  for (const site of own) list.append(linkLine("site", site, world.sites.measure(site) || world.sites.id[site], quantity(world, world.sites.length_m[site], "m")));
  block.append(element("h3", "", "Its sites"), list);
  return block;
}

const PROMPTS = ["prompt_in_water", "prompt_window", "prompt_length", "prompt_structure", "prompt_locate", "prompt_design"];

function siteCard(world, site) {
  const sites = world.sites, bank = sites.bank[site], head = [foreign("h2", "", nameOf(world, bank))], of = (name, unit) => quantity(world, sites[name][site], unit);
  head.push(element("p", "", `Site on the ${sideWord(world, bank)}`), foreign("p", "quiet", sites.id[site]));
  if (!Number.isNaN(sites.rank[site])) head.push(rankLine(sites.rank[site], sites.id.length, sites.priority[site]));
  head.push(foreign("p", "need", capital(sites.measure(site) || UNKNOWN)), foreign("p", "why", sites.why_measure(site)));
  if (world.moved) head.push(element("p", "moved", "Sites keep the rank of the run; the weights moved on this page rank banks and properties."));
  const rows = [["Length", of("length_m", "m")], ["Gap", `${of("gap_length_m", "m")}${sites.certainty(site) === "uncertain" ? ", uncertain" : ""}`]];
  rows.push(["Ground of the strip", of("area_m2", "m2")], ["Of it free to plant", of("plantable_area_m2", "m2")], ["Erosion score", score(sites.erosion_score[site])], ["Missing strip score", score(sites.gap_score[site])]);
  const list = element("ul", "links");
  list.append(linkLine("bank", bank, `${nameOf(world, bank)}, ${sideWord(world, bank)}`));
  if (sites.property[site] >= 0) list.append(linkLine("property", sites.property[site], propertyName(world, sites.property[site])));
  const block = element("section", "group");
  block.append(element("h3", "", "On"), list);
  return { head, body: [facts(rows), promptList(sites, site), block] };
}

function capital(text) {
  return text.slice(0, 1).toUpperCase() + text.slice(1);
}

/* What to ask before anything is done; prompts, no advice. */
function promptList(sites, site) {
  const told = PROMPTS.map((name) => sites[name](site)).filter(Boolean);
  if (!told.length) return null;
  const block = element("section", "group"), list = element("ul", "prompts");
  list.append(...told.map((text) => foreign("li", "", text)));
  block.append(element("h3", "", "Before you start"), list);
  return block;
}

/* Ids of the properties whose gaps meet this one's, none broken at its hyphen. */
function neighbourLine(joint) {
  const line = element("p", "why joint", "Its joint gap runs on onto, or lies opposite, the gap of ");
  joint.split(", ").forEach((id, i) => line.append(i ? ", " : "", foreign("bdi", "whole", id)));
  return line;
}
