/* Small drawings in the card: how far the rank moves, and the long profile of the stream. */

const SVG = "http://www.w3.org/2000/svg";

function drawn(tag, attributes, ...inside) {
  const made = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  made.append(...inside);
  return made;
}

function picture(wide, high, says, ...inside) {
  return drawn("svg", { viewBox: `0 0 ${wide} ${high}`, width: "100%", role: "img", "aria-label": says, class: "drawing" }, ...inside);
}

function label(x, y, text, anchor = "middle") {
  return drawn("text", { x: x.toFixed(1), y: y.toFixed(1), "text-anchor": anchor }, text);
}

/* The rank in the draws: a bar over 90 of 100, a tick at the middle one, a dot at the rank of the run; the axis is logarithmic. */
function intervalDrawing(low, middle, high, rank, ranked) {
  const wide = 300, left = 12, right = wide - 12, end = Math.log(Math.max(2, ranked));
  const at = (value) => left + ((right - left) * Math.log(Math.max(1, value))) / end, y = 14;
  const ticks = [1, 3, 10, 30, 100, 300, 1000, 3000, 10000, 30000].filter((value) => value <= ranked);
  const says = `In 90 of 100 draws between rank ${plain(low, 0)} and ${plain(high, 0)}, on a scale from 1 to ${plain(ranked, 0)}`;
  const parts = [drawn("line", { x1: left, x2: right, y1: y, y2: y, class: "axis" })];
  for (const tick of ticks) {
    parts.push(drawn("line", { x1: at(tick), x2: at(tick), y1: y + 4, y2: y + 8, class: "axis" }), label(at(tick), y + 19, plain(tick, 0)));
  }
  parts.push(drawn("line", { x1: at(low), x2: Math.max(at(high), at(low) + 1), y1: y, y2: y, class: "spread" }));
  if (!Number.isNaN(middle)) parts.push(drawn("line", { x1: at(middle), x2: at(middle), y1: y - 6, y2: y + 6, class: "middle" }));
  parts.push(drawn("circle", { cx: at(rank), cy: y, r: 5, class: "here" }));
  return picture(wide, 36, says, ...parts);
}

/* Points of the profile of the stream a reach is on: from, to (rows of the profile table) and the stream's number. */
function profileOf(world, reach) {
  const profiles = world.profiles, first = profiles.reach.indexOf(reach);
  if (first < 0) return null;
  const stream = profiles.begin.findIndex((begin, i) => begin <= first && first < profiles.begin[i + 1]);
  return { stream, from: profiles.begin[stream], to: profiles.begin[stream + 1] };
}

/* Heights along the stream from its mouth, the reach of the bank marked on it. */
function profileDrawing(world, reach) {
  const place = profileOf(world, reach);
  if (!place || place.to - place.from < 2) return null;
  const { from, to } = place, p = world.profiles, wide = 300, high = 128, left = 40, right = wide - 8, top = 12, bottom = high - 26;
  const known = [];
  for (let i = from; i < to; i++) if (!Number.isNaN(p.elevation_m[i])) known.push(i);
  if (known.length < 2) return null;
  const far = p.from_mouth_m[known[known.length - 1]], near = p.from_mouth_m[known[0]];
  let low = Infinity, tall = -Infinity;
  for (const i of known) { low = Math.min(low, p.elevation_m[i]); tall = Math.max(tall, p.elevation_m[i]); }
  const x = (i) => right - ((right - left) * (p.from_mouth_m[i] - near)) / Math.max(1, far - near);
  const y = (i) => bottom - ((bottom - top) * (p.elevation_m[i] - low)) / Math.max(0.5, tall - low);
  const line = (rows) => rows.map((i, k) => `${k ? "L" : "M"}${x(i).toFixed(1)} ${y(i).toFixed(1)}`).join("");
  const own = known.filter((i) => p.reach[i] === reach), m = (value) => quantity(world, value, "m");
  const parts = [drawn("path", { d: `M${left} ${top}V${bottom}H${right}`, class: "axis", fill: "none" })];
  if (own.length) parts.push(drawn("rect", { x: x(own[own.length - 1]) - 1, width: Math.max(3, x(own[0]) - x(own[own.length - 1]) + 2), y: top, height: bottom - top, class: "place" }));
  parts.push(drawn("path", { d: line(known), class: "ground", fill: "none" }));
  if (own.length > 1) parts.push(drawn("path", { d: line(own), class: "own", fill: "none" }));
  for (const i of known) {
    if (p.crossing[i] && !(i > from && p.crossing[i - 1])) parts.push(drawn("line", { x1: x(i), x2: x(i), y1: bottom, y2: bottom - 7, class: "crossing" }));
    if (p.step_m[i] > 0) parts.push(drawn("path", { d: `M${(x(i) - 4).toFixed(1)} ${(y(i) - 11).toFixed(1)}h8l-4 7Z`, class: "step" }));
  }
  parts.push(label(left - 4, top + 4, m(tall), "end"), label(left - 4, bottom, m(low), "end"));
  parts.push(label(left, high - 12, "source", "start"), label(right, high - 12, "mouth", "end"), label((left + right) / 2, high - 12, `${m(far - near)} of stream`));
  const where = own.length ? `, this bank ${m(p.from_mouth_m[own[0]] - near)} above the mouth` : "";
  return picture(wide, high, `Long profile of the stream, ${m(tall)} at the top and ${m(low)} at the mouth${where}`, ...parts);
}
