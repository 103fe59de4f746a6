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

function element(tag, kind, text) {
  const made = document.createElement(tag);
  if (kind) made.className = kind;
  if (text !== undefined && text !== null) made.textContent = text;
  return made;
}

/* Text from a layer, whose writing direction is its own. */
function foreign(tag, kind, text) {
  const made = element(tag, kind, text);
  made.dir = "auto";
  return made;
}

function plain(value, most) {
  return value.toLocaleString("en-US", { maximumFractionDigits: most });
}

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

function fillCard(world, chosen) {
  const head = document.getElementById("card-head"), body = document.getElementById("card-body");
  const made = chosen.kind === "bank" ? bankCard(world, chosen.row) : propertyCard(world, chosen.row);
  head.replaceChildren(...made.head);
  body.replaceChildren(...made.body);
}

function bankCard(world, bank) {
  const banks = world.banks, head = [foreign("h2", "", nameOf(world, bank))];
  head.push(element("p", "", SIDES[banks.side[bank]]), foreign("p", "quiet", banks.id[bank]));
  if (Number.isNaN(banks.rank[bank])) {
    head.push(element("p", "need", "Not ranked"), foreign("p", "why", banks.not_ranked(bank) || banks.why(bank)));
  } else {
    head.push(rankLine(banks.rank[bank], world.orders[0].ranked, banks.priority[bank]));
    head.push(element("p", "need", needOf(world, bank)));
    head.push(foreign("p", "why", banks.why(bank)));
  }
  return { head, body: [...groups(world, bank), bankFacts(world, bank)] };
}

function needOf(world, bank) {
  const need = world.banks.need(bank);
  const seen = world.factors.some((factor) => factor.floors && factor.value[bank] > 0);
  if (Number.isNaN(world.banks.gap_score[bank]) && need === "erosion_only") return `${seen ? "Erodes" : "Likely to erode"}; the strip was not measured`;
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
  const weights = world.about.weights, known = (group) => world.banks[`${group}_score`].some((value) => !Number.isNaN(value));
  const sum = ["erosion", "gap"].filter(known).reduce((total, group) => total + weights[group], 0);
  for (const group of ["erosion", "gap"]) {
    const used = world.factors.filter((factor) => factor.group === group && speaks(factor));
    if (!used.length) continue;
    const share = known(group) && sum > 0 ? `${plain((100 * weights[group]) / sum, 0)} % of the priority` : "not ranked on here";
    out.push(groupBlock(world, bank, [titles[group], share], score(world.banks[`${group}_score`][bank]), used));
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
  notes.append(element("span", "", `score ${score(value)}${factor.floors ? ", the least of the group" : ""}${factor.used ? `, weight ${plain(factor.weight / 10, 1)} %` : ""}`));
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
    ["Woody share of strip", `${of("woody_share", "share")}${tail(banks.woody_share_basis(bank))}`],
    ["Beside the stream", banks.adjacent_cover(bank) || UNKNOWN],
    ["Bank line from", lineFrom(world, bank)],
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

/* What stands in the way of planting, what is left to plant, what was done, what two dated bank lines could not show. */
function groundFacts(world, bank) {
  const banks = world.banks, of = (name, unit) => quantity(world, banks[name][bank], unit), rows = [];
  const along = banks.constrained_length_m[bank], year = banks.done_year[bank], least = banks.least_retreat_m_y[bank];
  if (along > 0) rows.push(["Constraints", `${banks.constraint(bank)}, along ${of("constrained_length_m", "m")}`]);
  else if (along === 0) rows.push(["Constraints", "none"]);
  if (!Number.isNaN(banks.plantable_area_m2[bank])) rows.push(["Gap free to plant", of("plantable_area_m2", "m2")]);
  const done = [banks.done_kind(bank), Number.isNaN(year) ? null : String(year)].filter(Boolean);
  if (done.length) rows.push(["Works done", done.join(", ")]);
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
  const land = world.properties, of = (name, unit) => quantity(world, land[name][row], unit);
  const head = [foreign("h2", "", `Property ${land.id[row]}`)];
  const unknown = Number.isNaN(land.gap_length_m[row]);
  const reason = unknown ? "its metres of gap are not known" : "none of its banks is ranked";
  if (Number.isNaN(land.rank[row])) head.push(element("p", "need", `Not ranked: ${reason}`));
  else head.push(rankLine(land.rank[row], land.ranked));
  const says = "Properties are ranked by the mean priority of their banks times their length of gap.";
  const rows = [
    ["Frontage, both sides counted", of("frontage_m", "m")],
    ["Gap", of("gap_length_m", "m")],
    ["Gap area", of("gap_area_m2", "m2")],
    ["Mean priority", tenth(land.priority[row])],
  ];
  const joint = land.joint_neighbours(row), meets = joint ? [neighbourLine(joint)] : [];
  if (joint) rows.push(["Joint gap", of("joint_gap_m", "m")]);
  return { head, body: [facts(rows), ...meets, element("p", "quiet why", says)] };
}

/* Ids of the properties whose gaps meet this one's, none broken at its hyphen. */
function neighbourLine(joint) {
  const line = element("p", "why joint", "Its joint gap runs on onto, or lies opposite, the gap of ");
  joint.split(", ").forEach((id, i) => line.append(i ? ", " : "", foreign("bdi", "whole", id)));
  return line;
}
