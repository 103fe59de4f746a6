/* The panel and the legend: title, notes, lists, choices. */

const narrow = () => window.innerWidth <= 760;
const byId = (id) => document.getElementById(id);

function fillPanel(world) {
  const about = world.about;
  document.title = `${about.title}: ranked stream banks`;
  byId("title").textContent = about.title;
  byId("subtitle").textContent = "Stream banks in order of urgency";
  if (about.date) byId("subtitle").append(", ", element("span", "date", `run of ${about.date}`));
  byId("caution").textContent = about.caution;
  if (about.contact) {
    byId("contact").textContent = about.contact;
    byId("contact").hidden = false;
  }
  fillNotes(about);
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

/* Ranked rows of a table, most urgent first; equal ranks by id. */
function mostUrgent(ids, rank, most) {
  const rows = [];
  rank.forEach((value, row) => { if (!Number.isNaN(value)) rows.push(row); });
  rows.sort((a, b) => rank[a] - rank[b] || (ids[a] < ids[b] ? -1 : 1));
  return rows.slice(0, most);
}

function fillList(world, state) {
  const kind = state.list, most = world.about.list_length;
  const table = kind === "bank" ? world.banks : world.properties;
  const rows = mostUrgent(table.id, table.rank, most);
  const total = kind === "bank" ? world.orders[0].ranked : world.properties.ranked;
  byId("list-says").textContent = listSays(kind, rows.length, total, table.id.length);
  const make = kind === "bank" ? bankRow : propertyRow;
  byId("rows").replaceChildren(...rows.map((row, place) => {
    const item = element("li"), button = make(world, row);
    button.type = "button";
    button.dataset.row = row;
    button.tabIndex = place === 0 ? 0 : -1;
    item.append(button);
    return item;
  }));
  markRow(state);
}

function listSays(kind, shown, total, all) {
  const noun = kind === "bank" ? "banks" : "properties";
  if (!all) return kind === "bank" ? "This run has no banks." : "No properties were given, or none has frontage.";
  if (!total) return `None of the ${plain(all, 0)} ${noun} is ranked; the card of each says why.`;
  const unit = kind === "bank" ? "with priority, 0 to 100" : "with their gap";
  return `${shown < total ? `${shown} most urgent of ${plain(total, 0)}` : `All ${shown} ranked ${noun}`}, ${unit}`;
}

function rowButton(rank, colour, name, says, value, below) {
  const button = element("button", "row"), place = element("span", "place", plain(rank, 0)), middle = element("span");
  if (colour) {
    const chip = element("i");
    chip.style.background = colour;
    place.append(chip);
  }
  middle.append(foreign("span", "name", name), element("span", "says", says));
  const end = element("span", "score", value);
  if (below) end.append(element("small", "", below));
  button.append(place, middle, end);
  return button;
}

const SHORT_NEEDS = { both: "erosion and gap", erosion_only: "erosion", gap_only: "gap", none: "below the threshold" };

function bankRow(world, row) {
  const banks = world.banks, side = banks.side[row] ? "Right bank" : "Left bank";
  const order = world.orders[0], colour = order.classes[classOf(world, order, row)].colour;
  const says = `${side}: ${SHORT_NEEDS[banks.need(row)] || UNKNOWN}`;
  const metres = banks.gap_length_m[row], gap = Number.isNaN(metres) ? "" : `gap ${quantity(world, metres, "m")}`;
  return rowButton(banks.rank[row], colour, nameOf(world, row), says, tenth(banks.priority[row]), gap);
}

function propertyRow(world, row) {
  const land = world.properties, says = `Frontage ${quantity(world, land.frontage_m[row], "m")}`;
  const gap = quantity(world, land.gap_length_m[row], "m"), area = quantity(world, land.gap_area_m2[row], "m2");
  return rowButton(land.rank[row], "", `Property ${land.id[row]}`, says, gap, area);
}

/* Show which row is selected, and let Tab reach that one. */
function markRow(state) {
  const buttons = [...document.querySelectorAll("#rows .row")];
  const chosen = state.selected && state.selected.kind === state.list ? String(state.selected.row) : null;
  const found = buttons.find((button) => button.dataset.row === chosen);
  buttons.forEach((button, place) => {
    const here = button === found;
    if (here) button.setAttribute("aria-current", "true");
    else button.removeAttribute("aria-current");
    button.tabIndex = here || (!found && place === 0) ? 0 : -1;
  });
  if (found && !narrow()) found.scrollIntoView({ block: "nearest" });
}

/* ---- legend */

const ORDER_NAMES = ["Priority", "Erosion", "Gap"];

function fillOrders(world, state, change) {
  byId("orders").replaceChildren(...world.orders.map((order, place) => {
    const label = element("label"), input = element("input");
    input.type = "radio";
    input.name = "order";
    input.value = order.value;
    input.checked = place === state.order;
    input.disabled = order.ranked === 0;
    input.addEventListener("change", () => change(place));
    label.append(input, element("span", "", ORDER_NAMES[place]));
    return label;
  }));
}

function fillClasses(world, state) {
  const order = world.orders[state.order];
  const items = order.classes.filter((c) => c.high >= c.low).map((c) => {
    const ranks = c.low === c.high ? plain(c.low, 0) : `${plain(c.low, 0)} to ${plain(c.high, 0)}`;
    return swatchItem((pen) => bankSwatch(pen, c.colour, order.classes.indexOf(c)), c.says, ranks);
  });
  if (order.ranked) items.unshift(headItem("Share of ranked banks", "Rank"));
  const count = world.banks.id.length - order.ranked;
  if (count) items.push(swatchItem((pen) => lineSwatch(pen, world.colours.not_ranked, 1.2, [4, 4]), "Not ranked", count === 1 ? "1 bank" : `${plain(count, 0)} banks`));
  byId("classes").replaceChildren(...items);
}

function headItem(left, right) {
  const item = element("li", "head");
  item.append(element("span", "", left), element("span", "", right));
  return item;
}

function swatchItem(draw, name, more) {
  const item = element("li");
  item.append(swatch(draw), element("span", "", name), element("span", "", more));
  return item;
}

function swatch(draw) {
  const canvas = element("canvas"), ratio = 2;
  canvas.width = 34 * ratio;
  canvas.height = 16 * ratio;
  canvas.setAttribute("aria-hidden", "true");
  const pen = canvas.getContext("2d");
  pen.scale(ratio, ratio);
  pen.lineCap = "round";
  draw(pen);
  return canvas;
}

function lineSwatch(pen, colour, width, dash) {
  pen.beginPath();
  pen.moveTo(4, 8);
  pen.lineTo(30, 8);
  stroke(pen, colour, width, dash);
}

function bankSwatch(pen, colour, at) {
  lineSwatch(pen, CASINGS[at], WIDTHS[at] + 1.6);
  lineSwatch(pen, colour, WIDTHS[at]);
}

function boxSwatch(pen, colour, fill, width, dash) {
  pen.beginPath();
  pen.rect(3.5, 2.5, 27, 11);
  if (fill) { pen.fillStyle = fill; pen.fill(); }
  stroke(pen, colour, width, dash);
}

function gapSwatch(pen, colour) {
  const pattern = hatch(pen, colour);
  pen.fillStyle = pattern;
  pen.fillRect(2.5, 2.5, 13, 11);
  pen.fillRect(18.5, 2.5, 13, 11);
  pen.beginPath();
  pen.rect(2.5, 2.5, 13, 11);
  stroke(pen, colour, 1.3);
  pen.beginPath();
  pen.rect(18.5, 2.5, 13, 11);
  stroke(pen, colour, 1.3, [3, 2.5]);
}

/* Say in the legend whether gaps can be seen at this scale. */
function markGaps(fit) {
  const note = document.querySelector("#layers small.gaps");
  if (note) note.textContent = fit ? GAP_NOTE : "zoom in to see";
}

const GAP_NOTE = "dashed: uncertain";

function fillLayers(world, state, change) {
  const colours = world.colours, size = world.about.exaggeration;
  const rows = [
    ["banks", "Stream banks", "", (pen) => bankSwatch(pen, world.orders[0].classes[1].colour, 1), true],
    ["gaps", "Gaps", GAP_NOTE, (pen) => gapSwatch(pen, colours.gap), world.gaps.bank.length > 0],
    ["properties", "Properties", "", (pen) => boxSwatch(pen, colours.property, null, 1), world.properties.id.length > 0],
    ["shade", "Hillshade", size > 1 ? `heights \u00d7${size}` : "", (pen) => boxSwatch(pen, "#aab0b4", "#cfd3d4", 1), size !== null],
  ];
  byId("layers").append(...rows.filter((row) => row[4]).map(([key, name, more, draw]) => {
    const label = element("label"), input = element("input"), text = element("span", "", name);
    input.type = "checkbox";
    input.name = key;
    input.checked = state.show[key];
    input.addEventListener("change", () => change(key, input.checked));
    if (more) text.append(" ", element("small", key, more));
    label.append(input, swatch(draw), text);
    return label;
  }));
}
