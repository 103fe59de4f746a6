/* Ranks under other weights, by the whole-number keys of the run, so that page and program agree in every rank.

   Factor scores are whole 0 to 1000 (-1: none), weights whole per mille, scores of a group whole 0 to 10,000. The
   geometric mean is compared through whole logarithms: L[n] = sum over the prime factors p of n of round(2^36 ln p).
   All sums stay below 2^53, where such numbers are exact. */

const TOP = 10000, FLOOR = 1000, LOG_SCALE = 2 ** 36;

/* Weights scaled to whole numbers that sum to `total`, by largest remainder; ties to the first. */
function wholeWeights(weights, total) {
  const amount = weights.reduce((sum, weight) => sum + weight, 0);
  if (!(amount > 0)) return weights.map(() => 0);
  const exact = weights.map((weight) => (weight * total) / amount), got = exact.map((value) => Math.floor(value + 1e-12));
  const byRest = exact.map((_, i) => i).sort((a, b) => exact[b] - got[b] - (exact[a] - got[a]) || a - b);
  const left = total - got.reduce((sum, value) => sum + value, 0);
  for (const i of byRest.slice(0, left)) got[i] += 1;
  return got;
}

/* Factors that measure the same thing share one weight: the largest given, split as they were given. */
function sharedWeights(given, shares) {
  return given.map((weight, i) => {
    const own = given.filter((_, k) => (shares[i] ? shares[k] === shares[i] : k === i));
    const total = own.reduce((sum, one) => sum + one, 0);
    return total > 0 ? (weight * Math.max(...own)) / total : 0;
  });
}

/* Whole per-mille weights of every factor under a choice; 0 for those that are not ranked on. */
function groupShares(world, choice) {
  const out = world.factors.map(() => 0);
  for (const group of ["erosion", "gap"]) {
    const own = world.factors.map((_, i) => i).filter((i) => world.factors[i].group === group && world.factors[i].used);
    const shared = sharedWeights(own.map((i) => choice.factors[i]), own.map((i) => world.factors[i].shares));
    wholeWeights(shared, 1000).forEach((weight, k) => { out[own[k]] = weight; });
  }
  return out;
}

let logs = null;

/* L[0..10,000]; L[0] = L[1] = 0. */
function logTable() {
  if (logs) return logs;
  const table = new Float64Array(TOP + 1), least = new Int32Array(TOP + 1);
  for (let p = 2; p <= TOP; p++) {
    if (least[p]) { table[p] = table[least[p]] + table[p / least[p]]; continue; }
    for (let m = p; m <= TOP; m += p) if (!least[m]) least[m] = p;
    table[p] = Math.round(LOG_SCALE * Math.log(p));
  }
  logs = table;
  return logs;
}

/* Weighted score of a group at each bank, whole 0 to 10,000, never below what was observed there. */
function groupScore(factors, weights, group, column) {
  const count = factors.length ? factors[0][column].length : 0, total = new Float64Array(count), out = new Int32Array(count);
  factors.forEach((factor, i) => {
    const weight = factor.group === group && factor.used ? weights[i] : 0, scores = factor[column];
    if (weight) for (let k = 0; k < count; k++) total[k] += weight * scores[k];
  });
  for (let k = 0; k < count; k++) out[k] = Math.floor((total[k] + 50) / 100);
  for (const factor of factors) {
    if (factor.group !== group || !factor.floors) continue;
    for (let k = 0; k < count; k++) if (10 * factor[column][k] > out[k]) out[k] = 10 * factor[column][k];
  }
  return out;
}

function priorityKeys(erosion, gap, share, combine) {
  const keys = new Float64Array(erosion.length), { erosion: a, gap: b } = share;
  if (combine === "weighted_sum") {
    for (let k = 0; k < keys.length; k++) keys[k] = a * erosion[k] + b * gap[k];
    return keys;
  }
  const table = logTable();
  for (let k = 0; k < keys.length; k++) keys[k] = a * table[Math.max(erosion[k], FLOOR)] + b * table[Math.max(gap[k], FLOOR)];
  return keys;
}

/* Half to even, as the program rounds what it prints. */
function halfEven(value) {
  const low = Math.floor(value), rest = value - low;
  return rest > 0.5 || (rest === 0.5 && low % 2 === 1) ? low + 1 : low;
}

/* Priority in hundredths, as it is printed. */
function priorityHundredths(keys, combine) {
  const out = new Int32Array(keys.length), added = combine === "weighted_sum";
  for (let k = 0; k < keys.length; k++) out[k] = added ? Math.floor(keys[k] / 100 + 0.5) : halfEven((Math.exp(keys[k] / (100 * LOG_SCALE)) / 100) * 100);
  return out;
}

/* 1 + number of strictly higher keys; equal keys share a rank. */
function ranksOf(keys) {
  const ordered = Float64Array.from(keys).sort(), count = keys.length, out = new Int32Array(count);
  for (let k = 0; k < count; k++) {
    let low = 0, high = count;
    while (low < high) { const mid = (low + high) >> 1; if (ordered[mid] <= keys[k]) low = mid + 1; else high = mid; }
    out[k] = 1 + count - low;
  }
  return out;
}

/* Spread values of the ranked rows over all rows; NaN elsewhere. */
function spreadOver(rows, values, count, per) {
  const out = new Float64Array(count).fill(NaN);
  for (let k = 0; k < rows.length; k++) out[rows[k]] = values[k] / per;
  return out;
}

/* The ranked rows, and the factors with their scores at those rows alone; made once. */
function rankedPart(world) {
  if (world.ranked) return world.ranked;
  const rows = [], rank = world.run.now.rank;
  for (let i = 0; i < rank.length; i++) if (rank[i] > 0) rows.push(i);
  const factors = world.factors.map(({ group, used, floors, whole, wholeWorst }) => ({ group, used, floors, whole: pickRows(whole, rows), wholeWorst: pickRows(wholeWorst, rows) }));
  world.ranked = { rows: Int32Array.from(rows), factors };
  return world.ranked;
}

/* Scores, priority, ranks and need of every bank under a choice of weights. */
function rankedAgain(world, choice) {
  const { share, weights } = shares(world, choice), count = world.banks.id.length, known = knownGroups(world), { rows, factors } = rankedPart(world);
  const of = (group, column) => (known.includes(group) ? groupScore(factors, weights, group, column) : new Int32Array(rows.length));
  const erosion = of("erosion", "whole"), gap = of("gap", "whole"), worst = { erosion: of("erosion", "wholeWorst"), gap: of("gap", "wholeWorst") };
  const keys = priorityKeys(erosion, gap, share, choice.combine), all = (values, per) => spreadOver(rows, values, count, per);
  const none = new Float64Array(count).fill(NaN), seen = (group, values, per) => (known.includes(group) ? all(values, per) : none);
  const now = {
    erosion_score: seen("erosion", erosion, 100), gap_score: seen("gap", gap, 100),
    priority: all(priorityHundredths(keys, choice.combine), 100), rank: all(ranksOf(keys), 1),
    erosion_rank: seen("erosion", ranksOf(worst.erosion), 1), gap_rank: seen("gap", ranksOf(worst.gap), 1),
    need: needCodes(rows, worst, known, world.about.need_at, count), share, weights,
  };
  return { ...now, property: propertiesAgain(world, now.priority) };
}

/* Rows in the order of their ranks, equal ones as they stand, those without one last; by counting, without comparing. */
function inOrder(rank) {
  const n = rank.length, start = new Uint32Array(n + 2), out = new Uint32Array(n);
  for (let i = 0; i < n; i++) start[rank[i] > 0 ? rank[i] : n + 1]++;
  for (let r = 1, sum = 0; r <= n + 1; r++) { const own = start[r]; start[r] = sum; sum += own; }
  for (let i = 0; i < n; i++) out[start[rank[i] > 0 ? rank[i] : n + 1]++] = i;
  return out;
}

function pickRows(values, rows) {
  return Int16Array.from(rows, (row) => values[row]);
}

function needCodes(rows, worst, known, needAt, count) {
  const out = new Int8Array(count).fill(-1);
  rows.forEach((row, k) => {
    const erosion = known.includes("erosion") && worst.erosion[k] / 100 >= needAt, gap = known.includes("gap") && worst.gap[k] / 100 >= needAt;
    out[row] = erosion ? (gap ? 0 : 1) : gap ? 2 : 3;
  });
  return out;
}

/* Properties by mean priority over their frontage times their metres of gap, in hundredths and millimetres.
   Where the run gave no frontages they keep its ranks. */
function propertiesAgain(world, priority) {
  const front = world.frontages, count = world.properties.count;
  if (!front) return { priority: world.properties.priority, rank: world.properties.rank, kept: true };
  const sum = new Float64Array(count), length = new Float64Array(count), gap = new Float64Array(count).fill(NaN);
  front.property.forEach((row, k) => {
    const hundredths = Math.round(100 * priority[front.bank[k]]), front_mm = front.frontage_mm[k], gap_mm = front.gap_mm[k];
    if (row < 0 || Number.isNaN(hundredths)) return;
    if (front_mm > 0) { sum[row] += hundredths * front_mm; length[row] += front_mm; }
    if (!Number.isNaN(gap_mm)) gap[row] = (Number.isNaN(gap[row]) ? 0 : gap[row]) + gap_mm;
  });
  const means = Array.from(sum, (total, row) => (length[row] > 0 ? Math.floor((2 * total + length[row]) / (2 * length[row])) : NaN));
  const rows = means.map((_, row) => row).filter((row) => !Number.isNaN(means[row]) && !Number.isNaN(gap[row]));
  const keys = Float64Array.from(rows, (row) => Math.floor((means[row] * gap[row] + 5000) / 10000));
  const mean = Float64Array.from(means, (value) => value / 100);
  return { priority: mean, rank: spreadOver(rows, ranksOf(keys), count, 1), kept: false };
}
