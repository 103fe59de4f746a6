/* Data: from text of 91 letters, which is gzipped bytes, to columns, and from whole differences to world coordinates (0 to 1).
   payload.py tells how arrays of numbers lie among the bytes. */

const NO_NUMBER = -(2 ** 53);
let arrays = new Uint8Array();

async function unpack(text) {
  const stream = new Blob([bytesOf(text.trim())]).stream().pipeThrough(new DecompressionStream("gzip"));
  const whole = new Uint8Array(await new Response(stream).arrayBuffer());
  const start = 4 + new DataView(whole.buffer).getUint32(0, true);
  arrays = whole.subarray(start);
  return restored(JSON.parse(new TextDecoder().decode(whole.subarray(4, start))));
}

/* Plain lists of whole numbers and of ids put back where they lay; columns stay packed until they are asked for. */
function restored(value) {
  if (value === null || typeof value !== "object" || typeof value[0] === "string") return value;
  if (value.$ids) return idsOf(value.$ids);
  if (value.$) return value.$[6] ? Array.from(wholes(value), (v) => (v === NO_NUMBER ? null : v)) : value;
  for (const [key, one] of Object.entries(value)) value[key] = restored(one);
  return value;
}

/* Two of 91 letters for every 13 bits; before them the count of bytes and a blank. */
function bytesOf(text) {
  const blank = text.indexOf(" "), out = new Uint8Array(Number(text.slice(0, blank)) + 2), place = new Uint8Array(128);
  for (let code = 33, next = 0; code < 127; code++) if (!"<&{".includes(String.fromCharCode(code))) place[code] = next++;
  for (let i = blank + 1, bits = 0, held = 0, at = 0; i < text.length; i += 2) {
    held = ((held & 255) << 13) | (place[text.charCodeAt(i)] * 91 + place[text.charCodeAt(i + 1)]);
    for (bits += 13; bits >= 8; bits -= 8) out[at++] = held >> (bits - 8);
  }
  return out.subarray(0, -2);
}

/* Ids that begin as the one before them. */
function idsOf([ends, codes, same]) {
  const code = wholes(codes), kept = wholes(same);
  let before = "";
  return Array.from(code, (c, i) => (before = before.slice(0, kept[i]) + ends[c]));
}

/* Whole numbers of an array that lies among the bytes, null as NO_NUMBER; a plain list is passed on. */
function wholes(told) {
  if (!told.$) return told;
  const [start, count, width, differences, nulls, times] = told.$, out = new Float64Array(count);
  for (let byte = width - 1; byte >= 0; byte--) {
    const plane = arrays.subarray(start + byte * count, start + (byte + 1) * count);
    for (let i = 0; i < count; i++) out[i] = out[i] * 256 + plane[i];
  }
  let before = 0;
  for (let i = 0; i < count; i++) {
    const folded = out[i] - nulls, half = Math.floor(folded / 2);
    if (folded < 0) { out[i] = NO_NUMBER; continue; }
    before = (differences ? before : 0) + (folded - 2 * half ? -half - 1 : half);
    out[i] = times * before;
  }
  return out;
}

/* A column of numbers as an array; NaN where not known. What lies in the order of another column needs that one. */
function numbers(column, base, digits) {
  const per = 10 ** column.d, whole = wholes(column.v), out = new Float64Array(whole.length);
  const row = base ? orderOf(base, digits) : null;
  for (let i = 0; i < out.length; i++) {
    const v = whole[i];
    out[row ? row[i] : i] = v === null || v === NO_NUMBER ? NaN : v / per;
  }
  return out;
}

const orders = new WeakMap();

/* Rows from the least value to the largest, equal ones as they stand, NaN last: one sort of whole numbers. */
function orderOf(values, digits) {
  if (orders.has(values)) return orders.get(values);
  const n = values.length, per = 10 ** digits, rows = new Uint32Array(n);
  let most = 0;
  for (let i = 0; i < n; i++) most = Math.max(most, Math.round(values[i] * per) || 0);
  const keys = Float64Array.from(values, (v, i) => (Number.isNaN(v) ? most + 1 : Math.round(v * per)) * n + i).sort();
  for (let i = 0; i < n; i++) rows[i] = keys[i] - n * Math.floor(keys[i] / n);
  orders.set(values, rows);
  return rows;
}

/* A column of text as a function of the row; null where not known. */
function words(column) {
  const place = Int32Array.from(wholes(column.v)), text = column.f ? numbered(column) : (i) => column.w[i];
  return (row) => (place[row] < 0 ? null : text(place[row]));
}

/* Texts whose numbers lie apart: by text with marks, then by mark, then in order; the digit behind a mark tells the
   decimals. */
function numbered(column) {
  const form = Int32Array.from(wholes(column.f)), n = wholes(column.n), parts = column.w.map((w) => w.split("\x1f"));
  const count = new Uint32Array(parts.length), nth = form.map((f) => count[f]++);
  const start = new Uint32Array(parts.length);
  for (let f = 1; f < parts.length; f++) start[f] = start[f - 1] + count[f - 1] * (parts[f - 1].length - 1);
  return (i) => {
    const f = form[i], [first, ...rest] = parts[f];
    return rest.reduce((text, part, k) => {
      const digits = Number(part[0]), value = n[start[f] + k * count[f] + nth[i]];
      return text + (value / 10 ** digits).toFixed(digits) + part.slice(1);
    }, first);
  };
}

/* Every column of a packed table, made ready when it is first asked for; anything else is passed on. */
function columns(table) {
  const out = {};
  for (const [name, column] of Object.entries(table)) {
    let made;
    Object.defineProperty(out, name, { enumerable: true, get: () => (made === undefined ? (made = opened(column, out, table)) : made) });
  }
  return out;
}

function opened(column, table, packed) {
  if (column === null || column === undefined) return null;
  if (column.$) return wholes(column);
  if (column.d !== undefined) return column.by ? numbers(column, table[column.by], packed[column.by].d) : numbers(column);
  if (column.w) return words(column);
  return column.parts ? places(column) : column;
}

/* Shapes in Web Mercator, the world's side being 1: runs of shape i are first[i] to first[i + 1],
   points of run j are begin[j] to begin[j + 1]; box holds west, north, east, south of each shape. A ring's first
   point is also its last. */
function places(packed) {
  const per = 10 ** packed.digits, close = packed.closed ? 1 : 0;
  const dx = wholes(packed.x), dy = wholes(packed.y), first = sums(wholes(packed.parts));
  const begin = sums(wholes(packed.points), close), n = begin[begin.length - 1];
  const x = new Float64Array(n), y = new Float64Array(n);
  for (let run = 0, at = 0, lon = 0, lat = 0; run + 1 < begin.length; run++) {
    const end = begin[run + 1] - close;
    for (let i = begin[run]; i < end; i++, at++) {
      lon += dx[at];
      lat += dy[at];
      x[i] = lon / per / 360 + 0.5;
      y[i] = 0.5 - Math.asinh(Math.tan((lat / per) * Math.PI / 180)) / (2 * Math.PI);
    }
    if (close) {
      x[end] = x[begin[run]];
      y[end] = y[begin[run]];
    }
  }
  return { count: first.length - 1, x, y, first, begin, box: boxes(x, y, first, begin), within_m: packed.tolerance_m };
}

function sums(lengths, more = 0) {
  const out = new Uint32Array(lengths.length + 1);
  for (let i = 0; i < lengths.length; i++) out[i + 1] = out[i] + lengths[i] + more;
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
