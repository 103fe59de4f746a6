/* Data: from base64 of gzipped JSON to columns, and from whole differences to world coordinates (0 to 1). */

async function unpack(text) {
  const bytes = Uint8Array.from(atob(text.trim()), (c) => c.charCodeAt(0));
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
  return JSON.parse(await new Response(stream).text());
}

/* A column of numbers as an array; NaN where not known. */
function numbers(column) {
  const per = 10 ** column.d;
  return Float64Array.from(column.v, (v) => (v === null ? NaN : v / per));
}

/* A column of text as a function of the row; null where not known. */
function words(column) {
  return (row) => (column.v[row] < 0 ? null : column.w[column.v[row]]);
}

/* Every column of a packed table made ready; anything else is passed on. */
function columns(table) {
  const out = {};
  for (const [name, column] of Object.entries(table)) {
    if (column && column.d !== undefined) out[name] = numbers(column);
    else if (column && column.w) out[name] = words(column);
    else if (column && column.parts) out[name] = places(column);
    else out[name] = column;
  }
  return out;
}

/* Shapes in Web Mercator, the world's side being 1: runs of shape i are first[i] to first[i + 1],
   points of run j are begin[j] to begin[j + 1]; box holds west, north, east, south of each shape. */
function places(packed) {
  const n = packed.x.length, per = 10 ** packed.digits;
  const x = new Float64Array(n), y = new Float64Array(n);
  let lon = 0, lat = 0;
  for (let i = 0; i < n; i++) {
    lon += packed.x[i];
    lat += packed.y[i];
    x[i] = lon / per / 360 + 0.5;
    y[i] = 0.5 - Math.asinh(Math.tan((lat / per) * Math.PI / 180)) / (2 * Math.PI);
  }
  const first = sums(packed.parts), begin = sums(packed.points);
  return { count: packed.parts.length, x, y, first, begin, box: boxes(x, y, first, begin) };
}

function sums(lengths) {
  const out = new Uint32Array(lengths.length + 1);
  lengths.forEach((length, i) => { out[i + 1] = out[i] + length; });
  return out;
}

function boxes(x, y, first, begin) {
  const out = new Float64Array(4 * (first.length - 1));
  for (let i = 0; i + 1 < first.length; i++) {
    let west = Infinity, north = Infinity, east = -Infinity, south = -Infinity;
    for (let k = begin[first[i]]; k < begin[first[i + 1]]; k++) {
      if (x[k] < west) west = x[k];
      if (x[k] > east) east = x[k];
      if (y[k] < north) north = y[k];
      if (y[k] > south) south = y[k];
    }
    out.set([west, north, east, south], 4 * i);
  }
  return out;
}
