/* Search by stream name or id: what is found stands in a list below the box. */

const FOUND_MOST = 8;

function searchIn(world, text) {
  const want = text.trim().toLowerCase(), found = [];
  if (!want) return found;
  for (const [name, reaches] of world.streams) {
    if (name.toLowerCase().includes(want)) found.push({ kind: "stream", reaches, text: name, says: "stream", early: name.toLowerCase().startsWith(want) });
  }
  const ids = [["bank", world.banks.id], ["property", world.properties.id || []], ["site", world.sites ? world.sites.id : []]];
  for (const [kind, list] of ids) {
    for (let row = 0; row < list.length && found.length < 400; row++) {
      const id = list[row].toLowerCase();
      if (id.includes(want)) found.push({ kind, row, text: list[row], says: kind, early: id.startsWith(want) });
    }
  }
  return found.sort((a, b) => b.early - a.early).slice(0, FOUND_MOST);
}

/* Reaches of each stream name, most reaches first. */
function streamsOf(reaches) {
  const out = new Map();
  for (let i = 0; i < reaches.shapes.count; i++) {
    const name = reaches.name(i);
    if (!name) continue;
    if (!out.has(name)) out.set(name, []);
    out.get(name).push(i);
  }
  return [...out].sort((a, b) => b[1].length - a[1].length);
}

function listenSearch(world, app) {
  const box = byId("search"), list = byId("found");
  let found = [];
  const show = () => {
    found = searchIn(world, box.value);
    list.hidden = !box.value.trim();
    list.replaceChildren(...(found.length ? found.map(foundLine) : [element("li", "nothing", "Nothing of that name or id")]));
  };
  const go = (one) => {
    list.hidden = true;
    if (one.kind === "stream") app.goToReaches(one.reaches, one.text);
    else app.select({ kind: one.kind, row: one.row }, true);
  };
  box.addEventListener("input", show);
  box.addEventListener("keydown", (event) => {
    if (event.key === "Enter" && found.length) go(found[0]);
    if (event.key === "ArrowDown" && list.querySelector("button")) { event.preventDefault(); list.querySelector("button").focus(); }
    if (event.key === "Escape") { list.hidden = true; event.stopPropagation(); }
  });
  list.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (button) go(found[Number(button.dataset.place)]);
  });
  list.addEventListener("keydown", (event) => moveInFound(event, box, list));
  document.addEventListener("click", (event) => { if (!event.target.closest(".search")) list.hidden = true; });
}

function moveInFound(event, box, list) {
  const buttons = [...list.querySelectorAll("button")], at = buttons.indexOf(document.activeElement);
  if (event.key === "Escape") { list.hidden = true; box.focus(); event.stopPropagation(); }
  if (event.key !== "ArrowDown" && event.key !== "ArrowUp") return;
  event.preventDefault();
  const next = at + (event.key === "ArrowDown" ? 1 : -1);
  if (next < 0) box.focus();
  else if (buttons[next]) buttons[next].focus();
}

function foundLine(one, place) {
  const line = element("li"), button = element("button");
  button.type = "button";
  button.dataset.place = place;
  button.append(foreign("bdi", "", one.text), element("small", "", one.says));
  line.append(button);
  return line;
}
