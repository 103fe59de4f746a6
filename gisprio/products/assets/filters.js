/* The filter: which banks, properties and sites the map and the tables show. */

const SURE = [[0, "any"], [0.5, "50 % of draws"], [0.8, "80 % of draws"], [0.95, "95 % of draws"]];

function noFilter() {
  return { rank: null, sure: 0, needs: [], cover: "", order: 0, kind: "", sub: "", property: "", length: null, gap: null, done: "" };
}

function isFilter(filter) {
  const none = noFilter();
  return Object.keys(none).some((key) => JSON.stringify(filter[key]) !== JSON.stringify(none[key]));
}

/* Marks of the banks, properties and sites that pass; null where all do. */
function keptBy(world, filter) {
  if (!isFilter(filter)) return { bank: null, property: null, site: null };
  const banks = world.banks, reaches = world.reaches, count = banks.id.length, bank = new Uint8Array(count);
  const onProperty = filter.property ? banksOnProperties(world, filter.property) : null, needs = new Set(filter.needs);
  for (let i = 0; i < count; i++) {
    const reach = banks.reach[i];
    bank[i] = (filter.rank === null || world.now.rank[i] <= filter.rank)
      && (!filter.sure || banks.top_share[i] >= filter.sure)
      && (!needs.size || needs.has(needWord(world, i)))
      && (!filter.cover || banks.adjacent_cover(i) === filter.cover)
      && (!filter.order || reaches.strahler_order[reach] >= filter.order)
      && (!filter.kind || banks.kind(i) === filter.kind)
      && (!filter.sub || reaches.sub_watershed_id(reach) === filter.sub)
      && (!onProperty || onProperty[i])
      && (!filter.done || (doneBeside(world, i) === "none known") === (filter.done === "without"))
      && (filter.length === null || banks.length_m[i] >= filter.length)
      && (filter.gap === null || banks.gap_length_m[i] >= filter.gap) ? 1 : 0;
  }
  return { bank, property: keptProperties(world, filter, bank), site: keptSites(world, bank) };
}

/* Banks on the properties whose id holds a text. */
function banksOnProperties(world, text) {
  const marks = new Uint8Array(world.banks.id.length), front = world.frontages, wanted = propertiesNamed(world, text);
  if (front) front.property.forEach((row, k) => { if (wanted.has(row)) marks[front.bank[k]] = 1; });
  return marks;
}

function propertiesNamed(world, text) {
  const want = text.toLowerCase(), out = new Set();
  (world.properties.id || []).forEach((id, row) => { if (id.toLowerCase().includes(want)) out.add(row); });
  return out;
}

/* A property is shown when one of its banks is, and when its own id was asked for if one was. */
function keptProperties(world, filter, bank) {
  const front = world.frontages, marks = new Uint8Array(world.properties.count);
  if (!front) return null;
  const named = filter.property ? propertiesNamed(world, filter.property) : null;
  front.property.forEach((row, k) => { if (bank[front.bank[k]] && (!named || named.has(row))) marks[row] = 1; });
  return marks;
}

function keptSites(world, bank) {
  return world.sites ? Uint8Array.from(world.sites.bank, (of) => (bank[of] ? 1 : 0)) : null;
}

/* ---- the form */

function fillFilters(world, state, change) {
  const form = byId("filters"), lengthUnit = world.about.units.m, perM = lengthUnit[0];
  const set = (key, value) => change({ ...state.filter, [key]: value });
  const number = (key, text, factor) => numberField(text, state.filter[key] === null ? "" : Math.round(state.filter[key] * factor), (value) => set(key, value === null ? null : value / factor));
  const rows = [
    number("rank", "Rank at most", 1),
    choice(`Among the first ${plain(world.about.top_n, 0)} in at least`, SURE, String(state.filter.sure), (value) => set("sure", Number(value))),
    needBoxes(world, state, (needs) => set("needs", needs)),
    choice("Ground beside it", anyOf(distinct(world.banks.id.length, world.banks.adjacent_cover)), state.filter.cover, (value) => set("cover", value)),
    choice("Stream order at least", orderChoices(world), String(state.filter.order), (value) => set("order", Number(value))),
    choice("Kind of stream", anyOf(distinct(world.banks.id.length, world.banks.kind)), state.filter.kind, (value) => set("kind", value)),
    choice("Works done", [["", "any"], ["with", "some known"], ["without", "none known"]], state.filter.done, (value) => set("done", value)),
    number("length", `Bank at least, ${lengthUnit[1]}`, perM),
    number("gap", `Gap at least, ${lengthUnit[1]}`, perM),
  ];
  const subs = distinct(world.reaches.shapes.count, world.reaches.sub_watershed_id);
  if (subs.length > 1 && subs.length <= 300) rows.push(choice("Sub-watershed", anyOf(subs), state.filter.sub, (value) => set("sub", value)));
  if (world.properties.id && world.properties.count && world.frontages) rows.push(textField("Property id holds", state.filter.property, (value) => set("property", value)));
  form.replaceChildren(...rows);
}

function distinct(count, of) {
  const found = new Set();
  for (let i = 0; i < count; i++) { const word = of(i); if (word) found.add(word); }
  return [...found].sort(new Intl.Collator(undefined, { numeric: true }).compare);
}

function anyOf(found) {
  return [["", "any"], ...found.map((word) => [word, word.replaceAll("_", " ")])];
}

function orderChoices(world) {
  const most = world.reaches.strahler_order.reduce((a, b) => (b > a ? b : a), 1);
  return [["0", "any"], ...Array.from({ length: Math.max(0, most - 1) }, (_, i) => [String(i + 2), String(i + 2)])];
}

function field(text, input) {
  const label = element("label", "field", text);
  label.append(input);
  return label;
}

function numberField(text, value, change) {
  const input = element("input");
  input.type = "number";
  input.min = "0";
  input.inputMode = "numeric";
  input.value = value;
  input.addEventListener("input", () => change(input.value === "" || !(Number(input.value) >= 0) ? null : Number(input.value)));
  return field(text, input);
}

function textField(text, value, change) {
  const input = element("input");
  input.type = "text";
  input.value = value;
  input.spellcheck = false;
  input.addEventListener("input", () => change(input.value.trim()));
  return field(text, input);
}

function choice(text, options, value, change) {
  const select = element("select");
  for (const [key, says] of options) {
    const option = foreign("option", "", says);
    option.value = key;
    option.selected = String(key) === value;
    select.append(option);
  }
  select.addEventListener("change", () => change(select.value));
  return field(text, select);
}

function needBoxes(world, state, change) {
  const box = element("fieldset", "needs");
  box.append(element("legend", "", "What it needs looked at for"));
  for (const one of world.needs) {
    const label = element("label"), input = element("input");
    input.type = "checkbox";
    input.value = one.need;
    input.checked = state.filter.needs.includes(one.need);
    input.addEventListener("change", () => change([...box.querySelectorAll("input:checked")].map((i) => i.value)));
    label.append(input, element("span", "", one.says));
    box.append(label);
  }
  return box;
}

function showFilterState(world, state) {
  const on = isFilter(state.filter), kept = state.kept.bank, all = world.banks.id.length;
  const passing = kept ? kept.reduce((sum, mark) => sum + mark, 0) : all;
  byId("filters-state").textContent = on ? `${plain(passing, 0)} of ${plain(all, 0)} banks` : "everything is shown";
  byId("filters-clear").disabled = !on;
  return `${plain(passing, 0)} of ${plain(all, 0)} banks pass the filter`;
}
