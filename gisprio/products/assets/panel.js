/* The panel: title, warnings, tabs, help. */

/* As map.css lays the page out: by the width in letters, so that large text gets the layout of a phone. */
const narrow = () => window.matchMedia("(max-width: 47.5em)").matches;
const byId = (id) => document.getElementById(id);

function fillPanel(world) {
  const about = world.about;
  document.title = `${about.title}: ranked stream banks`;
  byId("title").textContent = about.title;
  byId("subtitle").textContent = "Stream banks in order of urgency";
  if (about.audience === "board") byId("subtitle").append(", for the board");
  if (about.date) byId("subtitle").append(", ", element("span", "date", `run of ${about.date}`));
  byId("caution").textContent = about.caution;
  if (about.contact) {
    byId("contact").textContent = about.contact;
    byId("contact").hidden = false;
  }
  if (about.part) fillPart(about.part);
  fillNotes(about);
}

/* Where a run has more banks than one map holds: which part this is, and that its ranks are those of all. Other weights
   would need all banks at hand, so they are not offered. */
function fillPart(part) {
  const line = element("p", "part"), link = element("a", "", `All ${plain(part.of, 0)} maps of this run`);
  link.href = part.index;
  line.append("This map shows ", foreign("b", "", part.label), " only. Ranks are those of the whole run. ", link);
  byId("subtitle").after(line);
  byId("weights-box").hidden = true;
}

function fillNotes(about) {
  const count = about.warning_count;
  if (!count) return;
  byId("notes").hidden = false;
  byId("notes-count").textContent = count === 1 ? "1 warning about this run" : `${count} warnings about this run`;
  const items = about.warnings.map((text) => foreign("li", "", text));
  if (count > items.length) items.push(element("li", "quiet", `${count - items.length} more in ranked.gpkg, layer findings`));
  byId("notes-list").replaceChildren(...items);
}

function fillTabs(world, state) {
  for (const kind of ["bank", "property", "site", "pick"]) {
    const tab = byId(`tab-${kind}`), own = kind === state.list;
    tab.setAttribute("aria-selected", String(own));
    tab.tabIndex = own ? 0 : -1;
    if (own) byId("list").setAttribute("aria-labelledby", tab.id);
  }
  byId("tab-site").hidden = !world.sites;
  byId("tab-pick").textContent = state.picks.length ? `My list (${state.picks.length})` : "My list";
  byId("widen").setAttribute("aria-pressed", String(state.wide));
  document.documentElement.classList.toggle("wide", state.wide);
}

function listenTabs(state, app) {
  const tabs = () => [...document.querySelectorAll('.tabs [role="tab"]')].filter((tab) => !tab.hidden);
  for (const tab of document.querySelectorAll('.tabs [role="tab"]')) tab.addEventListener("click", () => app.showList(tab.id.slice(4)));
  document.querySelector(".tabs").addEventListener("keydown", (event) => {
    const step = { ArrowLeft: -1, ArrowRight: 1 }[event.key], all = tabs(), at = all.indexOf(document.activeElement);
    if (!step || at < 0) return;
    const next = all[(at + step + all.length) % all.length];
    app.showList(next.id.slice(4));
    next.focus();
  });
}

/* ---- help: how to read the map, and what its numbers are not */

function fillHelp(world) {
  const about = world.about, n = plain(about.worst_m, 0), us = about.system === "us", sections = [
    ["What it shows", [
      "Both banks of every stream, left and right as seen when looking downstream, drawn beside the water so that they can be told apart. Dark banks come first.",
      "Erosion tells how strong the water is and what state the bank is in. Gap tells how much of the strip of plants along the bank is missing. Priority puts the two together.",
      `A bank is judged by its worst ${us ? quantity(world, about.worst_m, "m") : `${n} m`}, so that a short bad stretch is not hidden in a long good one.`,
      "A hatched gap is ground within the setback that lacks the cover that counts; a dashed outline means that the map cannot be sure of it.",
    ]],
    ["How sure it is", [
      about.draws ? `The run ranked the banks ${plain(about.draws, 0)} times with other weights and with errors put on the data. The card shows between which ranks a bank stayed in 90 of 100 draws.` : "The run made no draws, so it cannot say how far ranks would move.",
      "Measured means read from the data given; modelled means computed from a formula with an error of its own; a stated default stands in where something is not known.",
      "Two banks whose ranges overlap are not truly in order. Go and look at both.",
    ]],
    ["What the numbers are not", [
      "A rank is no verdict on an owner and no proof of a rule broken. It says where to look first.",
      "Likely to erode is read from maps; erodes is said only where somebody saw it or two dated bank lines show it.",
      "Metres and areas are as good as the lines and the cover they come from. Measure on the ground before you plan work.",
      about.caution,
    ]],
    ["Working with it", [
      "Weights: move a slider and every rank follows at once, by the same whole-number sums as the run. The address of the page keeps what you chose; send it to others who have the file.",
      "Filter: what does not pass is drawn pale and leaves the tables.",
      "My list: add banks, properties and sites from their card, save the list, and open it on the map of a later run; entries are found by their place.",
      "Keys: Tab goes from part to part. On the map, arrows move and + and - zoom. In a table, arrows, Home and End go from row to row and Enter zooms there. Escape closes the card.",
      "Print: the map as you see it, with legend, table and caution, on one sheet of A4 or Letter.",
    ]],
  ];
  if (about.audience === "board") {
    sections.unshift(["A map for the board", ["The ids of properties and their neighbours are not in this file. Outlines and ranks are: do not put it where everybody can read it. gisprio map --audience public writes a map for that."]]);
  }
  const made = sections.map(([title, lines]) => {
    const block = element("section"), list = element("ul");
    list.append(...lines.map((text) => element("li", "", text)));
    block.append(element("h3", "", title), list);
    return block;
  });
  byId("help-body").replaceChildren(...made, ...factorHelp(world), ...rulesHelp(world));
}

function factorHelp(world) {
  const block = element("section"), list = element("dl", "terms");
  for (const factor of world.factors) list.append(element("dt", "", factor.title), foreign("dd", "", factor.says));
  block.append(element("h3", "", "What is scored"), list);
  return [block];
}

/* The watershed under each rule that was judged. */
function rulesHelp(world) {
  if (world.setbacks.length < 2) return [];
  const sum = (values, unit) => quantity(world, values.reduce((total, value) => total + (Number.isNaN(value) ? 0 : value), 0), unit);
  const table = rulesTable(world, (rule) => [setbackRange(world, rule), sum(rule.gap_length_m, "m"), sum(rule.gap_area_m2, "m2")]);
  const says = element("p", "", "The first one ranks. All banks together:");
  return [element("section", "", element("h3", "", "Setback rules side by side"), says, table)];
}

function setbackRange(world, rule) {
  let low = Infinity, high = -Infinity;
  for (const value of rule.setback_m) if (!Number.isNaN(value)) { low = Math.min(low, value); high = Math.max(high, value); }
  if (low > high) return UNKNOWN;
  return low === high ? quantity(world, low, "m") : `${quantity(world, low, "m")} to ${quantity(world, high, "m")}`;
}

function listenHelp() {
  const help = byId("help");
  byId("help-open").addEventListener("click", () => help.showModal());
  byId("help-close").addEventListener("click", () => help.close());
  help.addEventListener("click", (event) => { if (event.target === help) help.close(); });
}

/* Say something to those who do not see the page. */
function announce(text) {
  byId("live").textContent = text;
}
