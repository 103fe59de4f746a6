/* Weights moved by the reader: sliders, and the ranks that follow by the exact keys. */

const COMBINE = {
  geometric: ["Both must be high", "A low score on one side pulls the priority down"],
  weighted_sum: ["One makes up for the other", "The two scores are added"],
};

/* The weights of the run. */
function runChoice(world) {
  const about = world.about;
  return { erosion: about.weights.erosion, gap: about.weights.gap, combine: about.combine, factors: world.factors.map((factor) => factor.given) };
}

function sameChoice(a, b) {
  return a.erosion === b.erosion && a.gap === b.gap && a.combine === b.combine && a.factors.every((value, i) => value === b.factors[i]);
}

function fillWeights(world, state, change) {
  const box = byId("weights"), known = knownGroups(world), rows = [];
  if (known.length === 2) rows.push(balance(state, change), combineChoice(state, change));
  for (const group of known) {
    const own = world.factors.map((factor, i) => [factor, i]).filter(([factor]) => factor.group === group && factor.used && !factor.floors);
    if (own.length < 2) continue;
    const set = element("fieldset", "factors");
    set.append(element("legend", "", { erosion: "What makes erosion", gap: "What makes a gap urgent" }[group]));
    for (const [factor, i] of own) set.append(factorSlider(world, state, factor, i, change));
    rows.push(set);
  }
  box.replaceChildren(...rows);
  showShares(world, state);
}

/* Groups that are ranked on. */
function knownGroups(world) {
  const ranked = { erosion: world.orders[1].ranked, gap: world.orders[2].ranked };
  return ["erosion", "gap"].filter((group) => ranked[group] && world.factors.some((factor) => factor.used && factor.group === group));
}

function slider(name, value, most, change) {
  const input = element("input");
  input.type = "range";
  input.min = "0";
  input.max = String(most);
  input.step = String(most / 100);
  input.value = String(value);
  input.name = name;
  input.addEventListener("input", () => change(Number(input.value)));
  return input;
}

function balance(state, change) {
  const { erosion, gap } = state.choice, at = erosion + gap > 0 ? (100 * erosion) / (erosion + gap) : 50;
  const label = element("label", "weight"), line = element("span", "line");
  line.append(element("b", "", "Erosion against missing strip"), element("output", "balance"));
  const input = slider("balance", at, 100, (value) => change({ ...state.choice, erosion: value, gap: 100 - value }));
  label.append(line, input);
  return label;
}

function combineChoice(state, change) {
  const box = element("fieldset", "combine");
  box.append(element("legend", "", "How the two are put together"));
  for (const [key, [name, says]] of Object.entries(COMBINE)) {
    const label = element("label"), input = element("input"), text = element("span", "", name);
    input.type = "radio";
    input.name = "combine";
    input.value = key;
    input.checked = state.choice.combine === key;
    input.addEventListener("change", () => change({ ...state.choice, combine: key }));
    text.append(element("small", "", says));
    label.append(input, text);
    box.append(label);
  }
  return box;
}

function factorSlider(world, state, factor, i, change) {
  const most = sliderTop(world), label = element("label", "weight"), line = element("span", "line");
  const out = element("output", "share");
  out.dataset.factor = i;
  line.append(element("b", "", factor.title), out);
  const input = slider(factor.key, state.choice.factors[i], most, (value) => {
    change({ ...state.choice, factors: state.choice.factors.map((old, k) => (k === i ? value : old)) });
  });
  label.append(line, input);
  return label;
}

/* The far end of the factor sliders: 100, or what holds twice the largest weight of the run. */
function sliderTop(world) {
  const largest = world.factors.reduce((most, factor) => Math.max(most, factor.used ? factor.given : 0), 0);
  return largest > 100 || largest <= 1 ? 2 * largest || 1 : 100;
}

/* Say beside each slider what part it plays. */
function showShares(world, state) {
  const whole = groupShares(world, state.choice), share = world.now.share;
  for (const out of document.querySelectorAll("#weights output.share")) out.textContent = `${plain(whole[Number(out.dataset.factor)] / 10, 1)} %`;
  const line = document.querySelector("#weights output.balance");
  if (line) line.textContent = `${share.erosion} % and ${share.gap} %`;
}

/* Ranks under the weights chosen. */
function weigh(world, state) {
  world.moved = !sameChoice(state.choice, world.run.choice);
  world.now = world.moved ? rankedAgain(world, state.choice) : world.run.now;
}

function showWeightState(world, state) {
  byId("weights-state").textContent = world.moved ? "moved on this page" : "as in the run";
  byId("weights-box").classList.toggle("on", world.moved);
  byId("weights-back").disabled = !world.moved;
  byId("legend-moved").hidden = !world.moved;
  showShares(world, state);
}

/* The percent of the two groups and the thousandths of each factor under a choice. */
function shares(world, choice) {
  const known = knownGroups(world);
  return { share: groupPercents(choice, known), weights: groupShares(world, choice), known };
}
