/* Ranks under other weights, by the whole-number keys of the run, so that page and program agree in every rank.

   Factor scores are whole 0 to 1000 (-1: none), weights whole per mille, scores of a group whole 0 to 10,000. The
   geometric mean is compared through whole logarithms: L[n] = sum over the prime factors p of n of round(2^36 ln p).
   All sums stay below 2^53, where such numbers are exact. */

const TOP = 10000, FLOOR = 1000, LOG_SCALE = 2 ** 36, GROUPS = ["erosion", "gap"];
const BOTH = 0, EROSION_ONLY = 1, GAP_ONLY = 2, NEITHER = 3;

function sumOf(numbers) {
  return numbers.reduce((sum, number) => sum + number, 0);
}

/* Weights scaled to whole numbers that sum to `total`, by largest remainder; ties to the first. */
function wholeWeights(weights, total) {
  const amount = sumOf(weights);
  if (!(amount > 0)) return weights.map(() => 0);
  const exact = weights.map((weight) => (weight * total) / amount), got = exact.map((value) => Math.floor(value + 1e-12));
  const byRest = exact.map((_, i) => i).sort((a, b) => exact[b] - got[b] - (exact[a] - got[a]) || a - b);
  for (const i of byRest.slice(0, total - sumOf(got))) got[i] += 1;
  return got;
}

/* Factors that measure the same thing share one weight: the largest given, split as they were given. */
function sharedWeights(given, shares) {
  return given.map((weight, i) => {
    const own = given.filter((_, k) => (shares[i] ? shares[k] === shares[i] : k === i)), total = sumOf(own);
    return total > 0 ? (weight * Math.max(...own)) / total : 0;
  });
}

/* Whole per-mille weights of every factor under a choice; 0 for those that are not ranked on. */
function groupShares(world, choice) {
  const out = world.factors.map(() => 0);
  for (const group of GROUPS) {
    const own = world.factors.map((_, i) => i).filter((i) => world.factors[i].group === group && isRankedOn(world, choice, i));
    const shared = sharedWeights(own.map((i) => choice.factors[i]), own.map((i) => world.factors[i].shares));
    wholeWeights(shared, 1000).forEach((weight, k) => { out[own[k]] = weight; });
  }
  return out;
}

/* Whether a factor is ranked on: it was in the run, and has a weight. */
function isRankedOn(world, choice, i) {
  return Boolean(world.factors[i].used) && choice.factors[i] > 0;
}

/* Groups some factor of which is ranked on; the others have no score and no part in the priority. */
function groupsWeighed(world, choice) {
  return GROUPS.filter((group) => world.factors.some((factor, i) => factor.group === group && isRankedOn(world, choice, i)));
}

/* Whole percent of the two groups. */
function groupPercents(choice, known) {
  const [erosion, gap] = wholeWeights(GROUPS.map((group) => (known.includes(group) ? choice[group] : 0)), 100);
  return { erosion, gap };
}

let logs = null;

/* L[0..10,000]; L[0] = L[1] = 0. */
function logTable() {
  if (logs) return logs;
  const table = new Float64Array(TOP + 1), least = new Int32Array(TOP + 1);
  for (let p = 2; p <= TOP; p++) {
    if (least[p]) {
      table[p] = table[least[p]] + table[p / least[p]];
      continue;
    }
    for (let m = p; m <= TOP; m += p) if (!least[m]) least[m] = p;
    table[p] = Math.round(LOG_SCALE * Math.log(p));
  }
  logs = table;
  return logs;
}

/* Score of a group in each of `rows`, whole 0 to 10,000: rounded half up, never below what was observed there, which is
   what factors with `floors` score whatever their weight. `column`: `score` on the stretch all share, `worst` where the
   group alone is worst. */
function groupScore(factors, weights, group, column, rows) {
  const n = rows.length, out = new Int32Array(n), own = factors.map((_, i) => i).filter((i) => factors[i].group === group);
  for (const i of own.filter((one) => weights[one] > 0)) {
    const weight = weights[i], scores = factors[i][column];
    for (let k = 0; k < n; k++) out[k] += weight * scores[rows[k]];
  }
  for (let k = 0; k < n; k++) out[k] = Math.floor((out[k] + 50) / 100);
  for (const i of own.filter((one) => factors[one].floors)) {
    const scores = factors[i][column];
    for (let k = 0; k < n; k++) out[k] = Math.max(out[k], 10 * scores[rows[k]]);
  }
  return out;
}

/* One whole key of both scores; higher is more urgent. */
function priorityKeys(erosion, gap, { erosion: a, gap: b }, combine) {
  const n = erosion.length, keys = new Float64Array(n), table = logTable();
  if (combine === "weighted_sum") for (let k = 0; k < n; k++) keys[k] = a * erosion[k] + b * gap[k];
  else for (let k = 0; k < n; k++) keys[k] = a * table[Math.max(erosion[k], FLOOR)] + b * table[Math.max(gap[k], FLOOR)];
  return keys;
}

/* Half to even, as the program rounds what it prints. */
function halfEven(value) {
  const low = Math.floor(value), rest = value - low;
  return rest > 0.5 || (rest === 0.5 && low % 2 === 1) ? low + 1 : low;
}

/* Priority in hundredths, as it is printed. */
function priorityHundredths(keys, combine) {
  const out = new Int32Array(keys.length);
  if (combine === "weighted_sum") for (let k = 0; k < out.length; k++) out[k] = Math.floor(keys[k] / 100 + 0.5);
  else for (let k = 0; k < out.length; k++) out[k] = halfEven((Math.exp(keys[k] / (100 * LOG_SCALE)) / 100) * 100);
  return out;
}

/* 1 + number of strictly higher keys; equal keys share a rank. */
function ranksOf(keys) {
  const n = keys.length, ordered = Float64Array.from(keys).sort(), out = new Int32Array(n);
  for (let k = 0; k < n; k++) {
    const key = keys[k];
    let low = 0, high = n;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (ordered[middle] <= key) low = middle + 1;
      else high = middle;
    }
    out[k] = 1 + n - low;
  }
  return out;
}

/* The same for scores, whole 0 to 10,000, by counting them. */
function ranksOfScores(scores) {
  const higher = new Int32Array(TOP + 2), out = new Int32Array(scores.length);
  for (const score of scores) higher[score]++;
  for (let score = TOP; score >= 0; score--) higher[score] += higher[score + 1];
  for (let k = 0; k < out.length; k++) out[k] = 1 + higher[scores[k] + 1];
  return out;
}

/* Rows by rank, equal ranks by row; rows without a rank (0) come last. A map of a part of a run holds ranks beyond its
   own count. */
function inOrder(ranks) {
  const n = ranks.length, most = ranks.reduce((high, rank) => (rank > high ? rank : high), 0);
  const begin = new Int32Array(most + 3), out = new Int32Array(n), place = (row) => (ranks[row] > 0 ? ranks[row] : most + 1);
  for (let row = 0; row < n; row++) begin[place(row) + 1]++;
  for (let at = 1; at < begin.length; at++) begin[at] += begin[at - 1];
  for (let row = 0; row < n; row++) out[begin[place(row)]++] = row;
  return out;
}

/* Which of the two scores reach the threshold (0 to 100); null for a group that is not ranked on, which does not. */
function needsOf(erosion, gap, needAt, n) {
  const out = new Int8Array(n);
  for (let k = 0; k < n; k++) {
    const e = erosion !== null && erosion[k] / 100 >= needAt, g = gap !== null && gap[k] / 100 >= needAt;
    out[k] = e ? (g ? BOTH : EROSION_ONLY) : g ? GAP_ONLY : NEITHER;
  }
  return out;
}

/* Ranks of all banks under a choice of weights.
   world: `factors`, each with group, used, floors, shares, and whole scores `score` and `worst` of every bank;
   `ranked`, 1 for banks that are ranked; `needAt`. choice: weights `erosion` and `gap` of the groups, `factors` of the
   factors, `combine`. Scores are whole 0 to 10,000, -1 where there is none; priority NaN, ranks 0, need -1. */
function rankAgain(world, choice) {
  const count = world.ranked.length, rows = rowsWhere(world.ranked);
  const known = groupsWeighed(world, choice), share = groupPercents(choice, known), weights = groupShares(world, choice);
  const of = (group, column) => (known.includes(group) ? groupScore(world.factors, weights, group, column, rows) : null);
  const [erosion, gap, erosionWorst, gapWorst] = ["score", "worst"].flatMap((column) => GROUPS.map((group) => of(group, column)));
  const nothing = new Int32Array(rows.length), keys = priorityKeys(erosion || nothing, gap || nothing, share, choice.combine);
  const all = (values, none, type = Int32Array, per = 1) => spreadOver(rows, known.length ? values : null, new type(count).fill(none), per);
  return {
    erosion: all(erosion, -1), gap: all(gap, -1), erosionWorst: all(erosionWorst, -1), gapWorst: all(gapWorst, -1),
    priority: all(priorityHundredths(keys, choice.combine), NaN, Float64Array, 100),
    rank: all(ranksOf(keys), 0),
    erosionRank: all(erosionWorst && ranksOfScores(erosionWorst), 0), gapRank: all(gapWorst && ranksOfScores(gapWorst), 0),
    need: all(needsOf(erosionWorst, gapWorst, world.needAt, rows.length), -1, Int8Array),
    share, weights, known,
  };
}

/* Rows that are marked. */
function rowsWhere(marks) {
  const out = new Int32Array(marks.length);
  let n = 0;
  for (let row = 0; row < marks.length; row++) if (marks[row]) out[n++] = row;
  return out.subarray(0, n);
}

/* Lay the values of some rows into an array of all; null leaves it as it is. */
function spreadOver(rows, values, out, per = 1) {
  if (values) for (let k = 0; k < rows.length; k++) out[rows[k]] = values[k] / per;
  return out;
}

/* Ranks of properties by the mean priority of their banks, weighed by frontage, times their metres of gap.
   frontages: `property` and `bank` rows, `frontage_mm` and `gap_mm` whole, gap NaN where it is not known. Priority of
   banks in hundredths, -1 for those that are not ranked. Priority and key are NaN, rank 0, where not known. */
function rankProperties(frontages, hundredths, count) {
  const total = new Float64Array(count), length = new Float64Array(count), gap = new Float64Array(count).fill(NaN);
  for (let k = 0; k < frontages.property.length; k++) {
    const row = frontages.property[k], bank = frontages.bank[k], along = frontages.frontage_mm[k], bare = frontages.gap_mm[k];
    if (row < 0 || !(hundredths[bank] >= 0)) continue;
    if (along > 0) {
      total[row] += hundredths[bank] * along;
      length[row] += along;
    }
    if (bare >= 0) gap[row] = (gap[row] || 0) + bare;
  }
  const mean = total.map((sum, row) => Math.floor((2 * sum + length[row]) / (2 * length[row])));
  const gapKey = mean.map((one, row) => Math.floor((one * gap[row] + 5000) / 10000));
  const rows = rowsWhere(Uint8Array.from(gapKey, (key) => Number(key >= 0)));
  const rank = spreadOver(rows, ranksOf(Float64Array.from(rows, (row) => gapKey[row])), new Int32Array(count));
  return { priority: mean.map((one) => one / 100), gapKey, rank };
}

/* What the page shows under a choice of weights: numbers of people's size, NaN where there is none. */
function rankedAgain(world, choice) {
  const got = rankAgain(world.plain || (world.plain = plainWorld(world)), choice);
  const score = (values) => shownFrom(0, values, 100), place = (values) => shownFrom(1, values);
  return {
    erosion_score: score(got.erosion), gap_score: score(got.gap), priority: got.priority, rank: place(got.rank),
    erosion_rank: place(got.erosionRank), gap_rank: place(got.gapRank), need: got.need, share: got.share, weights: got.weights, known: got.known,
    property: propertiesAgain(world, got.priority),
  };
}

/* Values as numbers that may be missing: NaN below the least there is. */
function shownFrom(least, values, per = 1) {
  const out = new Float64Array(values.length).fill(NaN);
  for (let i = 0; i < out.length; i++) if (values[i] >= least) out[i] = values[i] / per;
  return out;
}

/* What ranking again needs of the map's data. */
function plainWorld(world) {
  const factors = world.factors.map(({ group, used, floors, shares, whole, wholeWorst }) => ({ group, used, floors, shares, score: whole, worst: wholeWorst }));
  return { factors, ranked: Uint8Array.from(world.run.now.rank, (rank) => Number(rank > 0)), needAt: world.about.need_at };
}

/* Properties by the priorities of their banks; where the run gave no frontages they keep its ranks. */
function propertiesAgain(world, priority) {
  const land = world.properties;
  if (!world.frontages) return { priority: land.priority, rank: land.rank, kept: true };
  const hundredths = Int32Array.from(priority, (value) => (Number.isNaN(value) ? -1 : Math.round(100 * value)));
  const got = rankProperties(world.frontages, hundredths, land.count);
  return { priority: got.priority, rank: shownFrom(1, got.rank), kept: false };
}
