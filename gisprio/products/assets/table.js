/* The tables: banks, properties, sites and the reader's own list; sorted by any head, linked with the map. */

const PAGE = 25;
const SHORT_NEEDS = { both: "erosion and gap", erosion_only: "erosion", gap_only: "gap", none: "below the threshold" };

/* Columns of each table: `wide` ones show in the wide table only; `value` sorts, `cell` is what stands there. */
const TABLES = {
  bank: [
    { key: "rank", head: "Rank", value: (w, i) => w.now.rank[i], cell: rankCell },
    { key: "name", head: "Bank", value: (w, i) => nameOf(w, i), cell: (w, i) => [nameOf(w, i), bankSays(w, i)] },
    { key: "gap", head: "Gap", down: true, value: (w, i) => w.banks.gap_length_m[i], cell: (w, i) => brief(w, w.banks.gap_length_m[i], "m") },
    { key: "priority", head: "Priority", down: true, value: (w, i) => w.now.priority[i], cell: (w, i) => tenth(w.now.priority[i]) },
    { key: "erosion", head: "Erosion", wide: true, down: true, value: (w, i) => w.now.erosion_score[i], cell: (w, i) => score(w.now.erosion_score[i]) },
    { key: "missing", head: "Missing strip", wide: true, down: true, value: (w, i) => w.now.gap_score[i], cell: (w, i) => score(w.now.gap_score[i]) },
    { key: "area", head: "Gap area", wide: true, down: true, value: (w, i) => w.banks.gap_area_m2[i], cell: (w, i) => brief(w, w.banks.gap_area_m2[i], "m2") },
    { key: "length", head: "Length", wide: true, down: true, value: (w, i) => w.banks.length_m[i], cell: (w, i) => brief(w, w.banks.length_m[i], "m") },
    { key: "beside", head: "Beside it", wide: true, words: true, value: (w, i) => w.banks.adjacent_cover(i) || "", cell: (w, i) => w.banks.adjacent_cover(i) || UNKNOWN },
    { key: "interval", head: "90 % of draws", wide: true, value: (w, i) => w.banks.rank_p05[i], cell: intervalCell },
    { key: "sure", head: "In first places", wide: true, down: true, value: (w, i) => w.banks.top_share[i], cell: (w, i) => quantity(w, w.banks.top_share[i], "share") },
    { key: "done", head: "Works done", wide: true, words: true, value: doneBeside, cell: doneBeside },
    { key: "id", head: "Id", wide: true, words: true, value: (w, i) => w.banks.id[i], cell: (w, i) => w.banks.id[i] },
  ],
  property: [
    { key: "rank", head: "Rank", value: (w, i) => w.now.property.rank[i], cell: (w, i) => plainRank(w.now.property.rank[i]) },
    { key: "name", head: "Property", value: (w, i) => propertyName(w, i), cell: (w, i) => [propertyName(w, i), `Frontage ${quantity(w, w.properties.frontage_m[i], "m")}`] },
    { key: "gap", head: "Gap", down: true, value: (w, i) => w.properties.gap_length_m[i], cell: (w, i) => brief(w, w.properties.gap_length_m[i], "m") },
    { key: "priority", head: "Priority", down: true, value: (w, i) => w.now.property.priority[i], cell: (w, i) => tenth(w.now.property.priority[i]) },
    { key: "area", head: "Gap area", wide: true, down: true, value: (w, i) => w.properties.gap_area_m2[i], cell: (w, i) => brief(w, w.properties.gap_area_m2[i], "m2") },
    { key: "frontage", head: "Frontage", wide: true, down: true, value: (w, i) => w.properties.frontage_m[i], cell: (w, i) => brief(w, w.properties.frontage_m[i], "m") },
    { key: "done", head: "Works done", wide: true, words: true, value: doneOn, cell: doneOn },
    { key: "joint", head: "Joint gap", wide: true, down: true, value: (w, i) => w.properties.joint_gap_m[i], cell: (w, i) => brief(w, w.properties.joint_gap_m[i], "m") },
  ],
  site: [
    { key: "rank", head: "Rank", value: (w, i) => w.sites.rank[i], cell: (w, i) => plainRank(w.sites.rank[i]) },
    { key: "name", head: "Site", value: (w, i) => w.sites.id[i], cell: (w, i) => [capital(w.sites.measure(i) || UNKNOWN), `${nameOf(w, w.sites.bank[i])}, ${sideWord(w, w.sites.bank[i])}`] },
    { key: "length", head: "Length", down: true, value: (w, i) => w.sites.length_m[i], cell: (w, i) => brief(w, w.sites.length_m[i], "m") },
    { key: "priority", head: "Priority", down: true, value: (w, i) => w.sites.priority[i], cell: (w, i) => tenth(w.sites.priority[i]) },
    { key: "on", head: "Property", wide: true, words: true, value: (w, i) => siteProperty(w, i), cell: (w, i) => siteProperty(w, i) },
    { key: "id", head: "Id", wide: true, words: true, value: (w, i) => w.sites.id[i], cell: (w, i) => w.sites.id[i] },
  ],
};

const NOUNS = { bank: ["bank", "banks"], property: ["property", "properties"], site: ["site", "sites"], pick: ["entry", "entries"] };

function plainRank(rank) {
  return Number.isNaN(rank) ? "\u2013" : plain(rank, 0);
}

/* A quantity short enough for a table. */
function brief(world, value, unit) {
  return Number.isNaN(value) ? "\u2013" : quantity(world, value, unit);
}

function rankCell(world, bank) {
  const cell = element("span", "place", plainRank(world.now.rank[bank])), at = classesOf(world, 0)[bank];
  if (at < world.orders[0].classes.length) {
    const chip = element("i");
    chip.style.background = world.orders[0].classes[at].colour;
    cell.append(chip);
  }
  return cell;
}

function intervalCell(world, bank) {
  const low = world.banks.rank_p05[bank], high = world.banks.rank_p95[bank];
  return Number.isNaN(low) ? "\u2013" : `${plain(low, 0)} to ${plain(high, 0)}`;
}

function sideWord(world, bank) {
  return world.banks.side[bank] ? "right bank" : "left bank";
}

function bankSays(world, bank) {
  const side = world.banks.side[bank] ? "Right" : "Left";
  if (Number.isNaN(world.now.rank[bank])) return `${side}: not ranked`;
  return `${side}: ${SHORT_NEEDS[needWord(world, bank)] || UNKNOWN}`;
}

function propertyName(world, row) {
  if (row < 0) return "none";
  const land = world.properties;
  if (land.id) return `Property ${land.id[row]}`;
  const rank = land.rank[row];
  return Number.isNaN(rank) ? "Property without a rank" : `Property of rank ${plain(rank, 0)}`;
}

function siteProperty(world, site) {
  return propertyName(world, world.sites.property[site]);
}

/* How many rows of a kind there are. */
function countOf(world, kind) {
  return { bank: world.banks.id.length, property: world.properties.count, site: world.sites ? world.sites.id.length : 0 }[kind];
}

function rankedOf(world, kind) {
  return { bank: world.orders[0].ranked, property: world.properties.ranked, site: countOf(world, "site") }[kind];
}

/* Rows of a table that pass the filter, in the order chosen; equal ones by id, what is not known last. */
function sortedRows(world, state, kind) {
  const { key, down } = state.sort[kind], column = TABLES[kind].find((one) => one.key === key);
  const kept = state.kept[kind], count = countOf(world, kind), rows = [];
  if (key === "rank" && !down) {
    const all = inOrder({ bank: world.now.rank, property: world.now.property.rank, site: world.sites && world.sites.rank }[kind]);
    return kept ? all.filter((row) => kept[row]) : all;
  }
  for (let i = 0; i < count; i++) if (!kept || kept[i]) rows.push(i);
  const values = rows.length ? rows.map((i) => column.value(world, i)) : [];
  if (typeof values[0] === "string") {
    const compare = new Intl.Collator(undefined, { numeric: true }).compare, sign = down ? -1 : 1;
    return rows.map((_, k) => k).sort((a, b) => sign * compare(values[a], values[b]) || a - b).map((k) => rows[k]);
  }
  const end = down ? -Infinity : Infinity, sign = down ? -1 : 1, keys = Float64Array.from(values, (v) => (Number.isNaN(v) ? end : v));
  return rows.map((_, k) => k).sort((a, b) => (keys[a] === keys[b] ? a - b : sign * (keys[a] - keys[b]))).map((k) => rows[k]);
}

function fillTable(world, state) {
  const all = state.list === "pick" ? state.picks : sortedRows(world, state, state.list);
  const shown = Array.from(all.slice(0, state.shown), (one) => (state.list === "pick" ? one : { kind: state.list, row: one }));
  byId("pick-tools").hidden = state.list !== "pick";
  byId("list-says").textContent = tableSays(world, state, all.length, shown.length);
  byId("table-says").textContent = `Table of ${NOUNS[state.list][1]}`;
  fillHeads(world, state);
  byId("table").hidden = !all.length;
  byId("rows").replaceChildren(...shown.map((entry, place) => tableRow(world, state, entry, place)));
  byId("more").hidden = shown.length === all.length;
  byId("more").textContent = `Show ${Math.min(PAGE, all.length - shown.length)} more`;
  markRow(state);
}

function tableSays(world, state, all, shown) {
  if (state.list === "pick") {
    return all ? `${all} on your list. It is kept in the address of this page; save it as a file.` : "Nothing yet. Open a card and press Add to my list, or open a list that was saved.";
  }
  const [one, many] = NOUNS[state.list], count = countOf(world, state.list);
  if (!count) return { bank: "This run has no banks.", property: "No properties were given, or none has frontage.", site: "This run has no sites." }[state.list];
  if (!all) return `None of the ${plain(count, 0)} ${many} passes the filter.`;
  if (!rankedOf(world, state.list)) return `None of the ${plain(count, 0)} ${many} is ranked; the card of each says why.`;
  const { key } = state.sort[state.list], column = TABLES[state.list].find((c) => c.key === key);
  const { down } = state.sort[state.list];
  const by = key === "rank" ? `${down ? "least" : "most"} urgent first` : `by ${column.head.toLowerCase()}, ${down ? "downwards" : "upwards"}`;
  const [noun, pass] = [all === 1 ? one : many, all < count ? ` that ${all === 1 ? "passes" : "pass"} the filter` : ""];
  const told = shown < all ? `First ${plain(shown, 0)} of ${pass ? "the " : ""}${plain(all, 0)}` : all === 1 ? "1" : `All ${plain(all, 0)}`;
  return `${told} ${noun}${pass}, ${by}`;
}

/* Columns of the table at hand; where no metres of gap are known, the score of the missing strip stands in their place. */
function columnsOf(world, state) {
  const coarse = state.list === "bank" && world.coarse;
  return TABLES[state.list].filter(({ key, wide }) => {
    if (coarse && (key === "gap" || key === "area")) return false;
    return state.wide || !wide || (coarse && key === "missing");
  });
}

function fillHeads(world, state) {
  const picks = state.list === "pick";
  const heads = picks ? [["rank", "Rank"], ["name", "Entry"], ["gap", "Gap"], ["off", ""]] : columnsOf(world, state).map((column) => [column.key, column.head]);
  byId("heads").replaceChildren(...heads.map(([key, text]) => {
    const head = element("th", key);
    head.scope = "col";
    if (picks) head.textContent = text;
    else head.append(sortButton(state, key, text));
    if (picks && !text) head.append(element("span", "unseen", "Remove"));
    if (!picks && state.sort[state.list].key === key) head.setAttribute("aria-sort", state.sort[state.list].down ? "descending" : "ascending");
    return head;
  }));
}

function sortButton(state, key, text) {
  const button = element("button", "sort", text), now = state.sort[state.list];
  button.type = "button";
  button.dataset.key = key;
  button.append(element("i", "", now.key === key ? (now.down ? "\u25bc" : "\u25b2") : ""));
  return button;
}

function tableRow(world, state, { kind, row }, place) {
  const line = element("tr", "row");
  line.dataset.kind = kind;
  line.dataset.row = row;
  const columns = state.list === "pick" ? TABLES[kind].filter((c) => ["rank", "name", "gap", "length"].includes(c.key) && !c.wide) : columnsOf(world, state);
  for (const column of columns) {
    const cell = element("td", `${column.key}${column.words ? " words" : ""}`), made = column.cell(world, row);
    if (column.key === "name") cell.append(nameButton(made, place));
    else if (made instanceof Node) cell.append(made);
    else if (column.words) cell.append(foreign("bdi", "", made));
    else cell.textContent = made;
    line.append(cell);
  }
  if (state.list === "pick") line.append(removeCell(kind, row));
  return line;
}

function nameButton([name, says], place) {
  const button = element("button", "go");
  button.type = "button";
  button.tabIndex = place === 0 ? 0 : -1;
  button.append(foreign("span", "name", name), element("span", "says", says));
  return button;
}

function removeCell() {
  const cell = element("td", "off"), button = element("button", "remove", "\u00d7");
  button.type = "button";
  button.setAttribute("aria-label", "Remove from my list");
  cell.append(button);
  return cell;
}

/* Show which row is selected, and let Tab reach that one. */
function markRow(state) {
  const rows = [...document.querySelectorAll("#rows .row")], chosen = state.selected;
  const found = rows.find((line) => chosen && line.dataset.kind === chosen.kind && Number(line.dataset.row) === chosen.row);
  rows.forEach((line, place) => {
    const here = line === found;
    if (here) line.setAttribute("aria-current", "true");
    else line.removeAttribute("aria-current");
    line.querySelector(".go").tabIndex = here || (!found && place === 0) ? 0 : -1;
  });
  if (found && !narrow()) found.scrollIntoView({ block: "nearest" });
}

function listenTable(state, app) {
  const rows = byId("rows");
  rows.addEventListener("click", (event) => {
    const line = event.target.closest(".row");
    if (!line) return;
    const chosen = { kind: line.dataset.kind, row: Number(line.dataset.row) };
    if (event.target.closest(".remove")) app.pick(chosen);
    else app.select(chosen, true);
  });
  rows.addEventListener("keydown", (event) => {
    const buttons = [...rows.querySelectorAll(".go")], at = buttons.indexOf(document.activeElement);
    const next = { ArrowDown: at + 1, ArrowUp: at - 1, Home: 0, End: buttons.length - 1 }[event.key];
    if (at < 0 || next === undefined || !buttons[next]) return;
    event.preventDefault();
    const line = buttons[next].closest(".row");
    app.select({ kind: line.dataset.kind, row: Number(line.dataset.row) }, false);
    document.querySelectorAll("#rows .go")[next].focus();
  });
  byId("heads").addEventListener("click", (event) => {
    const button = event.target.closest(".sort");
    if (button) app.sort(button.dataset.key);
  });
  byId("more").addEventListener("click", () => {
    const before = document.querySelectorAll("#rows .go").length;
    app.more();
    const next = document.querySelectorAll("#rows .go")[before];
    if (next) next.focus();
  });
  byId("widen").addEventListener("click", () => app.widen(!state.wide));
}
