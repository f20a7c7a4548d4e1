"use strict";
// Reads the tables of this page. What is computed here is computed by the same steps, under the
// same names, in the program's own module, which its tests hold against a full run.

const data = JSON.parse(document.getElementById("data").textContent);
const YES = "yes", NO = "no", TOO_CLOSE = "too close to call";
const DASH = "\u2013", MINUS = "\u2212", SPACE = "\u00a0";
const byId = (id) => document.getElementById(id);

// ---- the normal distribution in double precision

const density = (x) => Math.exp(-0.5 * x * x) / Math.sqrt(2 * Math.PI);

// Probability above x >= 0: a power series near the middle, a continued fraction in the tail.
function upperTail(x) {
  if (x < 3) {
    let term = x, sum = x;
    for (let k = 3; Math.abs(term) > 1e-18 * Math.abs(sum) && k < 200; k += 2) {
      term *= (x * x) / k;
      sum += term;
    }
    return 0.5 - density(x) * sum;
  }
  let fraction = x;
  for (let k = 90; k > 0; k -= 1) fraction = x + k / fraction;
  return density(x) / fraction;
}

const normalCdf = (x) => (x < 0 ? upperTail(-x) : 1 - upperTail(x));

// The score below which a probability lies: a rough start, then Halley's steps.
function normalQuantile(p) {
  if (p > 0.5) return -normalQuantile(1 - p);
  if (p <= 0) return -Infinity;
  const t = Math.sqrt(-2 * Math.log(p));
  let x = (2.30753 + 0.27061 * t) / (1 + t * (0.99229 + 0.04481 * t)) - t;
  for (let step = 0; step < 6; step += 1) {
    const error = (normalCdf(x) - p) / density(x);
    x -= error / (1 + 0.5 * x * error);
  }
  return x;
}

// ---- reading the tables

// Unpack 16-bit whole numbers, low byte first.
function unpack(text) {
  const bytes = atob(text), found = new Float64Array(bytes.length / 2);
  for (let k = 0; k < found.length; k += 1) {
    const pair = bytes.charCodeAt(2 * k) | (bytes.charCodeAt(2 * k + 1) << 8);
    found[k] = (pair > 32767 ? pair - 65536 : pair) / data.scale;
  }
  return found;
}

for (const table of [data.mean, data.epistemic]) {
  if (table) table.values = table.values.map(unpack);
}

const coverCount = data.covers.length;

function pieceNodes(borders, perPiece) {
  const found = [borders[0]];
  for (let piece = 0; piece < borders.length - 1; piece += 1) {
    for (let k = 1; k < perPiece; k += 1) {
      const share = 0.5 - 0.5 * Math.cos((Math.PI * k) / (perPiece - 1));
      found.push(borders[piece] + (borders[piece + 1] - borders[piece]) * share);
    }
  }
  return found;
}

for (const followUp of data.followUps) {
  for (const table of [data.mean, data.epistemic]) {
    if (table) followUp["nodes" + table.perPiece] = pieceNodes(followUp.borders, table.perPiece);
  }
}

// Weights of the nodes on a value at x, as [place, weight]: barycentric within a piece.
function nodeWeights(followUp, perPiece, x) {
  const { borders } = followUp, nodes = followUp["nodes" + perPiece];
  const at = Math.min(Math.max(x, borders[0]), borders[borders.length - 1]);
  let piece = 0;
  while (piece < borders.length - 2 && at > borders[piece + 1]) piece += 1;
  const first = piece * (perPiece - 1), weights = [];
  let total = 0;
  for (let k = 0; k < perPiece; k += 1) {
    const gap = at - nodes[first + k];
    if (Math.abs(gap) < 1e-12) return [[first + k, 1]];
    const end = k === 0 || k === perPiece - 1 ? 0.5 : 1;
    const weight = ((k % 2 ? -1 : 1) * end) / gap;
    weights.push([first + k, weight]);
    total += weight;
  }
  return weights.map(([place, weight]) => [place, weight / total]);
}

// Weights of the points on the slope at one of them, of the parabola through it and its neighbours.
function slopeWeights(x, k) {
  const weights = new Array(x.length).fill(0);
  const middle = Math.min(Math.max(k, 1), x.length - 2);
  const before = x[middle] - x[middle - 1], after = x[middle + 1] - x[middle];
  const bend = (2 * (x[k] - x[middle])) / (before + after);
  const early = after / (before + after) - bend, late = before / (before + after) + bend;
  weights[middle - 1] -= early / before;
  weights[middle] += early / before - late / after;
  weights[middle + 1] += late / after;
  return weights;
}

// Weights of the ages on a value at an age: a cubic in the logarithm of the age.
function ageWeights(ages, age) {
  const x = ages.map(Math.log);
  const at = Math.min(Math.max(Math.log(age), x[0]), x[x.length - 1]);
  let k = 0;
  while (k < x.length - 2 && at > x[k + 1]) k += 1;
  const width = x[k + 1] - x[k], s = (at - x[k]) / width;
  const left = width * s * (1 - s) * (1 - s), right = width * s * s * (1 - s);
  const one = slopeWeights(x, k), two = slopeWeights(x, k + 1);
  const weights = one.map((w, j) => left * w - right * two[j]);
  weights[k] += 1 - s * s * (3 - 2 * s);
  weights[k + 1] += s * s * (3 - 2 * s);
  return weights;
}

const dot = (weights, values) => weights.reduce((sum, w, k) => sum + w * values[k], 0);

const equivalentHours = (pair) => pair.hours * data.factors[pair.temperature];

// A stored index at every age of a table.
function readAges(table, pair, channel) {
  const followUp = data.followUps[pair.followUp], values = table.values[pair.followUp];
  const count = table.ages.length, nodeCount = followUp["nodes" + table.perPiece].length;
  const found = new Array(count).fill(0);
  const x = Math.log(equivalentHours(pair) + followUp.offset);
  for (const [node, weight] of nodeWeights(followUp, table.perPiece, x)) {
    const start = ((channel * nodeCount + node) * coverCount + pair.cover) * count;
    for (let a = 0; a < count; a += 1) found[a] += weight * values[start + a];
  }
  return found;
}

const readAt = (ages, index, age) => dot(ageWeights(ages, age), index);

function readLife(ages, index, goal) {
  const first = index.findIndex((value) => value < goal);
  if (first < 0) return Infinity;
  if (first === 0) return ages[0];
  let low = ages[first - 1], high = ages[first];
  for (let step = 0; step < 50; step += 1) {
    const middle = 0.5 * (low + high);
    if (readAt(ages, index, middle) < goal) high = middle;
    else low = middle;
  }
  return 0.5 * (low + high);
}

const levelCount = data.levels.length;
const levelScores = data.levels.map(normalQuantile);

function readQuantiles(pair, life, mean) {
  const table = data.epistemic;
  if (!table) return [];
  const weights = ageWeights(table.ages, life);
  return Array.from({ length: table.channels }, (_, k) => mean + dot(weights, readAges(table, pair, k)));
}

function readConfidence(quantiles, goal) {
  let k = 0;
  while (k < levelCount - 2 && goal > quantiles[k + 1]) k += 1;
  const width = quantiles[k + 1] - quantiles[k];
  if (width <= 0) return goal <= quantiles[k] ? 1 : 0;
  const share = (goal - quantiles[k]) / width;
  return normalCdf(-(levelScores[k] + share * (levelScores[k + 1] - levelScores[k])));
}

function decide(index, safe, goal, tolerance) {
  if (safe - tolerance > goal) return YES;
  return 2 * index - safe + tolerance < goal ? NO : TOO_CLOSE;
}

const worst = (answers) => [NO, TOO_CLOSE].find((word) => answers.includes(word)) || YES;

// Whether a pair meets a target, with what was read on the way.
function readMeets(pair, goal) {
  const weights = ageWeights(data.mean.ages, goal.life);
  const byAge = readAges(data.mean, pair, 0);
  const index = dot(weights, byAge), safe = dot(weights, readAges(data.mean, pair, 1));
  const answers = [decide(index, safe, goal.index, data.tolerance)];
  let quantiles = null;
  if (goal.confidence) {
    quantiles = readQuantiles(pair, goal.life, index);
    const [demanded, safely] = quantiles.slice(levelCount);
    answers.push(decide(demanded, safely, goal.index, data.epistemicTolerance));
  }
  return { meets: worst(answers), index, byAge, quantiles };
}

function readAnswer(pair, goal) {
  const { meets, index, byAge, quantiles: known } = readMeets(pair, goal);
  const quantiles = known || readQuantiles(pair, goal.life, index);
  let life = readLife(data.mean.ages, byAge, goal.index);
  let low = NaN, high = NaN, confidence = NaN;
  if (quantiles.length) {
    confidence = readConfidence(quantiles, goal.index);
    low = normalCdf(-quantiles[levelCount - 1]);
    high = normalCdf(-quantiles[0]);
  }
  if (goal.confidence) {
    const gap = readAges(data.epistemic, pair, levelCount);
    const demanded = byAge.map((m, a) => m + readAt(data.epistemic.ages, gap, data.mean.ages[a]));
    life = Math.min(life, readLife(data.mean.ages, demanded, goal.index));
  }
  return { meets, index, byAge, low, high, confidence, life, probability: normalCdf(-index) };
}

function earliestHours(pair, goal) {
  const found = data.hours.find((hours) => readMeets({ ...pair, hours }, goal).meets === YES);
  return found === undefined ? Infinity : found;
}

function leastCover(pair, goal) {
  return data.covers.findIndex(
    (mm, cover) => mm >= data.leastCover - 1e-9 && readMeets({ ...pair, cover }, goal).meets === YES,
  );
}

function expectedCost(pair, byAge, prices) {
  const followUp = data.followUps[pair.followUp];
  const first =
    prices.forms * pair.hours +
    (prices["flat-" + followUp.method] || 0) +
    ((prices["daily-" + followUp.method] || 0) / 24) * followUp.durationH +
    prices.cover * (data.covers[pair.cover] - data.lowestCover);
  const repair = dot(data.cost.weights, byAge.map((index) => normalCdf(-index)));
  return { first, expected: first + prices.repair * repair };
}

// ---- numbers as the reports of the program write them

// Fixed digits; a tie that is one in binary goes to the even digit, as the program rounds it.
function fixed(x, places) {
  const scaled = Math.abs(x) * 10 ** places, below = Math.floor(scaled);
  if (Number.isInteger(x * 2 ** 20) && scaled - below === 0.5 && below % 2 === 0) {
    return (Math.sign(x) * (below / 10 ** places)).toFixed(places);
  }
  return x.toFixed(places);
}

function number(x, digits = 3) {
  if (Number.isNaN(x)) return DASH;
  if (!Number.isFinite(x)) return "unlimited";
  if (x === 0) return "0";
  const exponent = Number(x.toExponential(digits - 1).split("e")[1]);
  const text = fixed(x, Math.max(digits - 1 - exponent, 0));
  return (text.includes(".") ? text.replace(/\.?0+$/, "") : text).replace("-", MINUS);
}

const price = (x) => number(x, Math.abs(x) < 9.95 ? 2 : 3);

function percent(p) {
  if (Number.isNaN(p)) return DASH;
  if (p > 0 && p < 1e-5) return `below 0.001${SPACE}%`;
  if (p >= 0.9995 && p < 1) return `above 99.9${SPACE}%`;
  return `${price(100 * p)}${SPACE}%`;
}

// Two probabilities with as many digits as keep them apart.
function distinctPercents(one, other) {
  let texts = [percent(one), percent(other)];
  for (let digits = 4; digits <= 7 && texts[0] === texts[1] && one !== other; digits += 1) {
    texts = [one, other].map((p) => `${number(100 * p, digits)}${SPACE}%`);
  }
  return texts;
}

function confidenceText(share) {
  if (Number.isNaN(share)) return DASH;
  const steps = Math.round(20 * share);
  return steps === 0 ? `under 5${SPACE}%` : steps === 20 ? `over 95${SPACE}%` : `${5 * steps}${SPACE}%`;
}

function yearsText(t) {
  if (!Number.isFinite(t) || t > data.horizon) return `more than ${number(data.horizon)}${SPACE}yr`;
  if (t <= data.mean.ages[0]) return `under ${number(data.mean.ages[0])}${SPACE}yr`;
  return `${t >= 9.95 ? fixed(t, 0) : fixed(t, 1).replace(/\.0$/, "")}${SPACE}yr`;
}

// ---- what the page holds now

const state = { ...data.start, goal: { ...data.target }, prices: { ...data.prices } };
const pins = { A: null, B: null };

const pairOf = (place) => ({ ...place, hours: data.hours[place.hours] });
const samePlace = (one, other) =>
  ["cover", "hours", "temperature", "followUp"].every((key) => one[key] === other[key]);

function pairText(place) {
  return `${data.coverTexts[place.cover]}, ${data.hourTexts[place.hours]} at ` +
    `${data.temperatureTexts[place.temperature]}, ${data.followUps[place.followUp].text}`;
}

function verdictText(answer, goal) {
  const [p, allowed] = distinctPercents(answer.probability, goal.allowed);
  const within = `${p} within ${number(goal.life)}${SPACE}yr, allowed ${allowed}`;
  const chance = answer.meets === NO ? "Chance that it meets the limit nevertheless:" : "Confidence";
  const sure = Number.isNaN(answer.confidence) ? "" : ` ${chance} ${confidenceText(answer.confidence)}.`;
  if (answer.meets === TOO_CLOSE) return `Too close: run it. ${within}.${sure}`;
  const clear = answer.meets === YES ? answer.confidence >= data.clear : answer.confidence <= 1 - data.clear;
  const manner = Number.isNaN(answer.confidence) ? "" : clear ? " clearly" : " narrowly";
  if (answer.meets === YES) return `Meets the target${manner}: ${within}.${sure}`;
  const demanded = answer.probability <= goal.allowed ? `; the demanded confidence is ${percent(goal.confidence)}` : "";
  return `Fails the target${manner}: ${within}${demanded}.${sure}`;
}

const SHORT = { [YES]: "meets", [NO]: "fails", [TOO_CLOSE]: "too close: run it" };

function show(id, value, text) {
  const cell = byId(id);
  cell.value = value;
  cell.textContent = text;
}

function showColumn(column, place) {
  const pair = pairOf(place), answer = readAnswer(pair, state.goal);
  show(`${column}-pair`, "", pairText(place));
  show(`${column}-meets`, answer.meets, SHORT[answer.meets]);
  show(`${column}-probability`, answer.probability, percent(answer.probability));
  const range = Number.isNaN(answer.low) ? DASH : `${percent(answer.low)} to ${percent(answer.high)}`;
  show(`${column}-range`, `${answer.low} ${answer.high}`, range);
  show(`${column}-confidence`, answer.confidence, confidenceText(answer.confidence));
  show(`${column}-life`, answer.life, yearsText(answer.life));
  if (data.cost) {
    const { first, expected } = expectedCost(pair, answer.byAge, state.prices);
    show(`${column}-first`, first, price(first));
    show(`${column}-expected`, expected, price(expected));
  }
  const hours = earliestHours(pair, state.goal), cover = leastCover(pair, state.goal);
  show(`${column}-earliest`, hours, Number.isFinite(hours) ? data.hourTexts[data.hours.indexOf(hours)] : "none in the range");
  show(`${column}-least`, cover < 0 ? Infinity : data.covers[cover], cover < 0 ? "none in the range" : data.coverTexts[cover]);
  return answer;
}

// ---- the map

const SVG = "http://www.w3.org/2000/svg";
const FRAME = { left: 84, right: 624, top: 14, bottom: 316 };

function draw(parent, tag, attributes, text) {
  const element = document.createElementNS(SVG, tag);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  if (text !== undefined) element.textContent = text;
  parent.append(element);
}

function mapX(hours) {
  const first = Math.log(data.hours[0]), last = Math.log(data.hours[data.hours.length - 1]);
  return FRAME.left + ((Math.log(hours) - first) / (last - first || 1)) * (FRAME.right - FRAME.left);
}

const rowHeight = (FRAME.bottom - FRAME.top) / coverCount;
const mapY = (cover) => FRAME.bottom - (cover + 0.5) * rowHeight;

// Where the verdict changes along each cover: the hours from which it is no longer no, and yes.
function mapRows() {
  return data.covers.map((_, cover) => {
    const answers = data.hours.map((hours) => readMeets({ ...state, cover, hours }, state.goal).meets);
    const notNo = answers.findIndex((word) => word !== NO), yes = answers.indexOf(YES);
    return { answers, notNo, yes };
  });
}

function showMap(answer) {
  const svg = byId("map"), rows = mapRows(), last = data.hours.length - 1;
  svg.replaceChildren();
  let edge = "";
  rows.forEach((row, cover) => {
    const y = mapY(cover) - 0.5 * rowHeight;
    const notNo = row.notNo < 0 ? FRAME.right : mapX(data.hours[row.notNo]);
    const yes = row.yes < 0 ? FRAME.right : mapX(data.hours[row.yes]);
    draw(svg, "rect", { class: "no", x: FRAME.left, y, width: notNo - FRAME.left, height: rowHeight });
    draw(svg, "rect", { class: "close", x: notNo, y, width: Math.max(yes - notNo, 0), height: rowHeight });
    draw(svg, "rect", { class: "yes", x: yes, y, width: FRAME.right - yes, height: rowHeight });
    edge += `${edge ? "L" : "M"}${yes} ${y + rowHeight}L${yes} ${y}`;
  });
  draw(svg, "path", { class: "edge", d: edge });
  draw(svg, "rect", { class: "frame", x: FRAME.left, y: FRAME.top, width: FRAME.right - FRAME.left, height: FRAME.bottom - FRAME.top });
  const step = Math.ceil(coverCount / 9);
  data.coverTexts.forEach((text, cover) => {
    if (cover % step === 0) draw(svg, "text", { x: FRAME.left - 8, y: mapY(cover) + 5, "text-anchor": "end" }, text);
  });
  data.ticks.forEach((place) => {
    const x = mapX(data.hours[place]);
    draw(svg, "path", { class: "frame", d: `M${x} ${FRAME.bottom}v5` });
    const anchor = place === 0 ? "start" : place === last ? "end" : "middle";
    draw(svg, "text", { x, y: FRAME.bottom + 22, "text-anchor": anchor }, data.hourTexts[place]);
  });
  draw(svg, "text", { x: (FRAME.left + FRAME.right) / 2, y: FRAME.bottom + 48, "text-anchor": "middle" },
    `time in the forms at ${data.temperatureTexts[state.temperature]}`);
  const fails = rows.filter((row) => row.answers[0] === NO).length;
  if (fails) draw(svg, "text", { x: FRAME.left + 10, y: FRAME.bottom - 10 }, "fails");
  if (rows.some((row) => row.yes >= 0)) draw(svg, "text", { x: FRAME.right - 10, y: FRAME.top + 20, "text-anchor": "end" }, "meets");
  const onMap = (place) => place.temperature === state.temperature && place.followUp === state.followUp;
  for (const name of ["A", "B"]) {
    if (!pins[name] || !onMap(pins[name])) continue;
    const x = mapX(data.hours[pins[name].hours]), y = mapY(pins[name].cover);
    draw(svg, "circle", { class: "pin", cx: x, cy: y, r: 10 });
    draw(svg, "text", { x, y: y + 5, "text-anchor": "middle" }, name);
  }
  draw(svg, "circle", { class: "now", cx: mapX(data.hours[state.hours]), cy: mapY(state.cover), r: 7 });
  const lines = rows.map((row, cover) => {
    const from = row.yes < 0 ? "not in the range" : `from ${data.hourTexts[row.yes]}`;
    return `${data.coverTexts[cover]}: ${from}`;
  });
  svg.setAttribute("aria-label",
    `Map of cover against time in the forms. The pair, ${pairText(state)}, ${SHORT[answer.meets]}. ` +
    `The target is met at ${lines.join("; ")}.`);
  showMapTable(rows);
}

function showMapTable(rows) {
  const table = byId("map-table");
  table.caption.textContent = `Probability within ${number(state.goal.life)} yr and verdict, concrete at ` +
    `${data.temperatureTexts[state.temperature]}, ${data.followUps[state.followUp].text}`;
  const head = ["Nominal cover", ...data.ticks.map((place) => data.hourTexts[place])];
  const cell = (tag, text, scope) => {
    const element = document.createElement(tag);
    element.textContent = text;
    if (scope) element.scope = scope;
    return element;
  };
  const line = (cells) => {
    const row = document.createElement("tr");
    row.append(...cells);
    return row;
  };
  table.tHead.replaceChildren(line(head.map((text) => cell("th", text, "col"))));
  table.tBodies[0].replaceChildren(...rows.map((row, cover) => line([
    cell("th", data.coverTexts[cover], "row"),
    ...data.ticks.map((place) => {
      const { index } = readMeets({ ...state, cover, hours: data.hours[place] }, state.goal);
      return cell("td", `${percent(normalCdf(-index))}, ${SHORT[row.answers[place]]}`);
    }),
  ])));
}

// ---- the line to copy

function chooseLine() {
  const pair = `${data.coverWords[state.cover]}, ${data.hourWords[state.hours]} at ` +
    `${data.temperatureWords[state.temperature]}, ${data.followUps[state.followUp].words}`;
  return `stripwise design ${data.file} --choose "${pair}"`;
}

function lineNote() {
  const { goal } = state, notes = [];
  if (goal.life !== data.target.life || goal.allowed !== data.target.allowed) {
    notes.push("The line works the pair out under the scenario's own target: change [target] there first.");
  }
  if (Object.keys(data.prices).some((key) => state.prices[key] !== data.prices[key])) {
    notes.push("It takes the scenario's own prices.");
  }
  return notes.join(" ");
}

// ---- one round

function showControl(id, text) {
  byId(`${id}-text`).textContent = text;
  byId(id).setAttribute("aria-valuetext", text.replaceAll(SPACE, " "));
}

function update() {
  showControl("cover", data.coverTexts[state.cover]);
  showControl("hours", data.hourTexts[state.hours]);
  showControl("temperature", data.temperatureTexts[state.temperature]);
  const answer = showColumn("now", state);
  for (const name of ["A", "B"]) {
    if (pins[name]) showColumn(name, pins[name]);
    byId(`load${name}`).disabled = !pins[name] || samePlace(pins[name], state);
  }
  byId("verdict").textContent = verdictText(answer, state.goal);
  byId("line").value = chooseLine();
  byId("line-note").textContent = lineNote();
  showMap(answer);
}

for (const id of ["cover", "hours", "temperature", "followUp"]) {
  byId(id).value = String(state[id]);
  byId(id).addEventListener("input", (event) => {
    state[id] = Number(event.target.value);
    update();
  });
}

// A number that is typed counts as soon as it lies within the bounds of its field.
function listenToNumber(id, take) {
  byId(id).addEventListener("input", (event) => {
    const field = event.target, value = field.valueAsNumber;
    const bad = !(value >= Number(field.min)) || (field.max !== "" && value > Number(field.max));
    field.setAttribute("aria-invalid", String(bad));
    if (bad) return;
    take(value);
    update();
  });
}

listenToNumber("life", (value) => { state.goal.life = value; });
listenToNumber("allowed", (value) => {
  state.goal.allowed = value / 100;
  state.goal.index = -normalQuantile(state.goal.allowed);
});
for (const key of Object.keys(data.prices)) {
  listenToNumber(`price-${key}`, (value) => { state.prices[key] = value; });
}

for (const name of ["A", "B"]) {
  byId(`pin${name}`).addEventListener("click", () => {
    const { cover, hours, temperature, followUp } = state;
    pins[name] = { cover, hours, temperature, followUp };
    update();
  });
  byId(`load${name}`).addEventListener("click", () => {
    Object.assign(state, pins[name]);
    for (const id of ["cover", "hours", "temperature", "followUp"]) byId(id).value = String(state[id]);
    update();
  });
}

byId("copy").addEventListener("click", () => {
  byId("line").select();
  const said = (text) => { byId("line-note").textContent = `${text} ${lineNote()}`; };
  if (navigator.clipboard) {
    navigator.clipboard.writeText(byId("line").value).then(() => said("Copied."), () => said("Press Ctrl+C to copy."));
  } else said("Press Ctrl+C to copy.");
});

update();
