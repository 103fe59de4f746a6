/* Print: a sheet of A4 or Letter with the map, its legend, the first rows of the table and the caution. */

function listenPrint(map, state, painting, app) {
  let before = null;
  const start = () => {
    if (before) return;
    before = { centre: map.getCenter(), zoom: map.getZoom(), bounds: map.getBounds(), open: byId("legend-box").open };
    byId("legend-box").open = true;
    byId("filter-words").textContent = filterWords();
    document.documentElement.classList.add("printing");
    map.invalidateSize({ animate: false, pan: false });
    map.fitBounds(before.bounds, { animate: false });
    painting._update();
  };
  const end = () => {
    if (!before) return;
    document.documentElement.classList.remove("printing");
    byId("legend-box").open = before.open;
    map.invalidateSize({ animate: false, pan: false });
    map.setView(before.centre, before.zoom, { animate: false });
    painting._update();
    before = null;
  };
  window.addEventListener("beforeprint", start);
  window.addEventListener("afterprint", end);
  byId("print").addEventListener("click", () => window.print());
}

/* What the filter asks for, in the words of its own boxes; empty where it asks for nothing. */
function filterWords() {
  const asked = [];
  for (const label of document.querySelectorAll("#filters .field")) {
    const box = label.querySelector("input, select"), plainest = box.options ? box.options[0].value : "";
    if (box.value !== plainest) asked.push(`${label.firstChild.textContent.trim()}: ${box.options ? box.selectedOptions[0].textContent : box.value}`);
  }
  const needs = [...document.querySelectorAll("#filters .needs input:checked")].map((box) => box.nextSibling.textContent);
  if (needs.length) asked.push(needs.join(" or "));
  return asked.length ? `Filter: ${asked.join("; ")}.` : "";
}
