/* Elements and their text, which is only ever set as text; numbers as people write them. */

function element(tag, kind, ...inside) {
  const made = document.createElement(tag);
  if (kind) made.className = kind;
  made.append(...inside.filter((one) => one !== undefined && one !== null));
  return made;
}

/* Text from a layer or the settings, whose writing direction is its own. */
function foreign(tag, kind, text) {
  const made = element(tag, kind, text);
  made.dir = "auto";
  return made;
}

function plain(value, most) {
  return value.toLocaleString("en-US", { maximumFractionDigits: most });
}
