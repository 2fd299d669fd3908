// What the page shows and listens to; the arithmetic is the engine's.

const find = (id) => document.getElementById(id);
const facts = JSON.parse(find("facts").textContent);
const [WIDTH, HEIGHT] = [facts.columns, facts.rows];
const SIZE = WIDTH * HEIGHT;
const MOST_WORKERS = 8;
const VIEWS = [
  ["with", "With the lines"], ["without", "Without"], ["wipe", "Both, with a wipe"],
  ...Object.keys(facts.lines).map((name) => [`line ${name}`, `${name} alone`]), ["added", "What the lines add"], ["mask", "Star mask"],
];
const BLINK_MS = 800;

// --- settings -----------------------------------------------------------------------------------------------

const original = {sky_level: facts.stretch.sky_level, blends: facts.blends};
let settings = structuredClone(original);
const domainOf = (formula) => FORMULAS[formula].domain;

// A share goes with light added to red, so a display formula drops it.
const effective = () => ({...settings, blends: settings.blends.map((blend) => (
  domainOf(blend.formula) === "display" ? {...blend, share: {}, share_value: "none", dust_a_v: 0} : blend))});

function toml(value) {
  if (typeof value === "number") return Number.isInteger(value) ? `${value}.0` : String(value);
  if (typeof value === "string") return JSON.stringify(value);
  const inner = Object.entries(value).map(([key, part]) => `${key} = ${toml(part)}`);
  return inner.length ? `{ ${inner.join(", ")} }` : "{}";
}

// The recipe values on screen by dotted key.
function valuesOf({sky_level: level, blends}) {
  const values = {"stretch.sky_level": level};
  for (const blend of blends) {
    const key = (name) => `blend.${blend.name}.${name}`;
    Object.assign(values, {[key("formula")]: blend.formula, [key("amount")]: blend.amount, [key("params")]: blend.params,
      [key("share")]: blend.share_value, [key("dust_a_v")]: blend.dust_a_v});
  }
  return values;
}

const quoted = (word) => (/^[\w.,:/=+-]+$/.test(word) ? word : `'${word.replaceAll("'", `'\\''`)}'`);

function commandText() {
  const [now, before] = [valuesOf(effective()), valuesOf(original)];
  // An amount that the recipe leaves open may come out a little otherwise at full size: the command says what is drawn.
  for (const {name, chosen} of original.blends) if (chosen) before[`blend.${name}.amount`] = "auto";
  const sets = Object.keys(now).filter((key) => toml(now[key]) !== toml(before[key]))
    .map((key) => `--set ${quoted(`${key}=${typeof now[key] === "string" ? now[key] : toml(now[key])}`)}`);
  // What the page was opened with gives way to what is set now.
  const keyOf = (text) => text.replace(/^'/, "").split("=")[0];
  const changed = (text) => sets.some((set) => keyOf(text) === keyOf(set.slice("--set ".length)));
  const [run, ...given] = (facts.command || "blend run RECIPE TARGET").split(" --set ");
  return [run, ...given.filter((text) => !changed(text)).map((text) => `--set ${text}`), ...sets].join(" ");
}

function recipeText() {
  const now = valuesOf(effective());
  return facts.recipe.text.replaceAll(new RegExp(`"${facts.recipe.open} ([^"]+)"`, "g"), (_, key) => toml(now[key]));
}

// --- layers -------------------------------------------------------------------------------------------------

async function unpack(element) {
  const text = atob(element.textContent);
  const bytes = new Uint8Array(text.length);
  for (let i = 0; i < bytes.length; i += 1) bytes[i] = text.charCodeAt(i);
  element.remove();
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate-raw"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

async function readLayers() {
  const light = {};
  let mask = null;
  for (const element of document.querySelectorAll("script.layer")) {
    const name = element.dataset.name;
    const bytes = await unpack(element);
    if (name === "mask") mask = bytes;
    else light[name] = expandCodes(bytes.subarray(0, bytes.length / 2), bytes.subarray(bytes.length / 2), facts.layers[name].knee, facts);
  }
  return {light, mask};
}

// --- drawing ------------------------------------------------------------------------------------------------

const over = find("over").getContext("2d"), under = find("under").getContext("2d");
for (const canvas of [over.canvas, under.canvas]) [canvas.width, canvas.height] = [WIDTH, HEIGHT];
const picture = () => new ImageData(WIDTH, HEIGHT);
const withLines = picture(), without = picture(), lineImage = picture(), other = picture();
let painter, onProcessors, mask, solved, view = "with", lit = false, blinking = 0, tallying = 0;
let waiting = false, drawing = null, again = false;
const place = {x: WIDTH >> 1, y: HEIGHT >> 1};

const bare = () => ({...settings, blends: settings.blends.map((blend) => ({...blend, amount: 0}))});

function drawAdded() {
  const [made, plain, out] = [withLines.data, without.data, other.data];
  const counts = new Uint32Array(256);
  const least = (k) => Math.max(made[k] - plain[k], made[k + 1] - plain[k + 1], made[k + 2] - plain[k + 2], 0);
  for (let k = 0; k < made.length; k += 4) counts[least(k)] += 1;
  let top = 255;
  for (let rest = 0.001 * SIZE - counts[top]; rest > 0 && top > 1; rest -= counts[top]) top -= 1;
  for (let k = 0; k < made.length; k += 4) {
    const share = Math.min(least(k) / top, 1);
    out[k] = 255 * share; out[k + 1] = 184 * share ** 1.2; out[k + 2] = 115 * share ** 1.6; out[k + 3] = 255;
  }
  return `Difference in display value, largest of the three planes. Full brightness: ${(top / 255).toFixed(3)} or more.`;
}

function drawMask() {
  const out = other.data;
  for (let i = 0, k = 0; i < SIZE; i += 1, k += 4) {
    out[k] = out[k + 1] = out[k + 2] = mask ? mask[i] : 0;
    out[k + 3] = 255;
  }
  return mask ? "1 (white) on stars, 0 (black) on sky." : "No star mask was made.";
}

// A chip or its driver may compute otherwise than it should, or slowly: what each new shader makes is held against the
// engine's, and its time against a bar.
function checkChip() {
  if (waiting || drawing) return;
  const right = painter.trusted() || painter.check(effective(), withLines.data);
  if (right && !(painter.slow() && location.hash !== "#imitated-chip")) return;
  painter = onProcessors();
  redraw();
}

async function paint(job, image) {
  const asked = painter;
  try {
    return await asked.paint(job, image.data);
  } catch (fault) {
    if (fault instanceof RangeError || !asked.check) throw fault;
    if (painter === asked) painter = onProcessors();
    return painter.paint(job, image.data);
  }
}

async function drawView() {
  const kind = blinking ? (lit ? `line ${Object.keys(facts.lines)[0]}` : "without") : view;
  const needsBare = ["without", "wipe", "added"].includes(kind);
  const jobs = [paint({slot: "with", settings: effective()}, withLines)];
  if (needsBare) jobs.push(paint({slot: "without", settings: bare()}, without));
  if (kind.startsWith("line ")) jobs.push(paint({slot: "line", settings: bare(), line: kind.slice(5)}, lineImage));
  [solved] = await Promise.all(jobs);
  let note = "";
  if (kind === "added") note = drawAdded();
  if (kind === "mask") note = drawMask();
  if (kind.startsWith("line ")) note = "The line's own light, stretched by itself.";
  if (!blinking) find("view-note").textContent = note;
  const shown = {with: withLines, wipe: withLines, without, added: other, mask: other}[kind] ?? lineImage;
  over.putImageData(shown, 0, 0);
  if (kind === "wipe") under.putImageData(without, 0, 0);
  const cut = find("wipe").value;
  over.canvas.style.clipPath = kind === "wipe" ? `inset(0 0 0 ${cut}%)` : "";
  find("seam").hidden = kind !== "wipe";
  find("seam").style.left = `${cut}%`;
  drawLens();
}

function drawLens() {
  if (find("lens-box").hidden) return;
  const lens = find("lens"), scale = Number(find("lens-scale").value);
  const [wide, high] = [Math.min(lens.width / scale, WIDTH), Math.min(lens.height / scale, HEIGHT)];
  const x = Math.round(Math.min(Math.max(place.x - wide / 2, 0), WIDTH - wide));
  const y = Math.round(Math.min(Math.max(place.y - high / 2, 0), HEIGHT - high));
  const context = lens.getContext("2d");
  context.imageSmoothingEnabled = false;
  context.clearRect(0, 0, lens.width, lens.height);
  const seam = view === "wipe" && !blinking ? (find("wipe").value / 100) * WIDTH : 0;
  const draw = (canvas, from, to) => {
    if (to > from) context.drawImage(canvas, from, y, to - from, high, (from - x) * scale, 0, (to - from) * scale, high * scale);
  };
  draw(under.canvas, x, Math.min(x + wide, seam));
  draw(over.canvas, Math.max(x, seam), x + wide);
  const frame = find("frame").style;
  frame.left = `${100 * x / WIDTH}%`; frame.top = `${100 * y / HEIGHT}%`;
  frame.width = `${100 * wide / WIDTH}%`; frame.height = `${100 * high / HEIGHT}%`;
  const k = 4 * (place.y * WIDTH + place.x), [red, green, blue] = withLines.data.subarray(k, k + 3);
  find("lens-text").textContent = `Around column ${place.x}, row ${place.y}; there the picture has red ${red}, green ${green}, blue ${blue} of 255. Arrow keys move it while the picture has the focus.`;
}

function tally() {
  const counts = COLOUR.map(() => new Uint32Array(256));
  const data = withLines.data;
  for (let k = 0; k < data.length; k += 4) {
    counts[0][data[k]] += 1; counts[1][data[k + 1]] += 1; counts[2][data[k + 2]] += 1;
  }
  const total = SIZE, top = Math.log(total);
  COLOUR.forEach((name, p) => {
    const bars = Array.from(counts[p], (count, value) => `V${(66 - 60 * (count > 0 ? Math.log(count + 1) / top : 0)).toFixed(1)}H${value + 3}`);
    find(`bars-${name}`).setAttribute("d", `M2 66${bars.join("")}V66Z`);
    [find(`sky-${name}`), find(`sky-text-${name}`)].forEach((mark, k) => {
      for (const key of k ? ["x"] : ["x1", "x2"]) mark.setAttribute(key, 2 + 256 * solved.level + 2 * k);
    });
    const cells = [name, solved.level.toFixed(3), ...[0, 255].map((value) => `${(100 * counts[p][value] / total).toFixed(3)} %`)];
    find("shares").children[p].querySelectorAll("th, td").forEach((cell, k) => { cell.textContent = cells[k]; });
  });
}

async function draw() {
  try {
    await drawView();
    find("status").textContent = "";
  } catch (fault) {
    if (!(fault instanceof RangeError)) throw fault;
    find("status").textContent = `Not drawn: ${fault.message}.`;
    return;
  }
  find("command").textContent = commandText();
  find("recipe").textContent = recipeText();
  const lowered = solved.lowered ? ", lowered because noise would show" : "";
  find("solved").textContent = `Sky at ${solved.level.toFixed(3)}${lowered}; ${solved.curve} stretch.`;
  clearTimeout(tallying);
  tallying = setTimeout(() => { tally(); checkChip(); }, 150);
}

// One picture at a time; what is moved meanwhile is drawn next, only as it stands then.
async function drawLatest() {
  waiting = false;
  if (drawing) {
    again = true;
    return;
  }
  do {
    again = false;
    drawing = draw();
    try {
      await drawing;
    } finally {
      drawing = null;
    }
  } while (again);
}

function redraw() {
  if (!waiting) requestAnimationFrame(drawLatest);
  waiting = true;
}

// Resolves once everything that was set is on the canvas.
async function settled() {
  while (waiting || drawing || again) await new Promise((done) => { setTimeout(done, 5); });
}

// --- controls -----------------------------------------------------------------------------------------------

function make(tag, properties = {}, ...children) {
  const element = Object.assign(document.createElement(tag), properties);
  element.append(...children);
  return element;
}

// A slider and a number for one value, which follow each other.
function slider(id, label, {min, max, step, value}, changed) {
  const range = make("input", {type: "range", id: `${id}-slider`, min, max, step});
  const number = make("input", {type: "number", id, min, max, step: "any"});
  const set = (next) => { range.value = next; number.value = next; };
  range.value = number.value = value;
  range.setAttribute("aria-label", label);
  range.addEventListener("input", () => { number.value = range.value; changed(Number(range.value)); });
  number.addEventListener("input", () => {
    const next = number.valueAsNumber;
    if (!(next >= min && next <= max)) return;
    range.value = next;
    changed(next);
  });
  const pair = make("div", {className: "pair"}, make("label", {htmlFor: id, textContent: label}), range, number);
  return {pair, set};
}

function paramsOf(formula, blend) {
  const first = original.blends.find((entry) => entry.name === blend.name);
  return {...FORMULAS[formula].params, ...(first.formula === formula ? first.params : {})};
}

function blendControls(blend) {
  const key = `blend.${blend.name}`;
  const chosen = make("select", {id: `${key}.formula`});
  for (const name of Object.keys(FORMULAS)) chosen.append(make("option", {textContent: name}));
  chosen.value = blend.formula;
  const about = make("p", {className: "quiet"});
  const params = make("div");
  const fill = () => {
    const share = Object.entries(blend.share).map(([plane, factor]) => `${factor.toFixed(2)} into ${plane}`).join(", ");
    const lost = domainOf(blend.formula) === "display";
    about.textContent = `${FORMULAS[blend.formula].equation} (${lost ? "after" : "before"} the stretch)`
      + (share ? (lost ? ". Its share of other planes is left out" : `; of what red gains, ${share}`) : "");
    params.replaceChildren(...Object.entries(blend.params).map(([name, value]) => {
      const reach = Math.max(2 * Math.abs(value), 1);
      return slider(`${key}.params.${name}`, name, {min: -reach, max: reach, step: 0.01, value}, (next) => {
        blend.params = {...blend.params, [name]: next};
        redraw();
      }).pair;
    }));
  };
  chosen.addEventListener("change", () => {
    blend.formula = chosen.value;
    blend.params = paramsOf(chosen.value, blend);
    fill();
    redraw();
  });
  fill();
  const amount = slider(`${key}.amount`, "amount", {min: 0, max: MOST_AMOUNT, step: 0.01, value: blend.amount}, (next) => {
    blend.amount = next;
    redraw();
  });
  const first = original.blends.find((entry) => entry.name === blend.name);
  const note = `The recipe says auto; ${first.amount} is what its rule chose on these layers.`;
  const left = first.chosen ? [make("p", {className: "quiet", textContent: note})] : [];
  return make("fieldset", {}, make("legend", {textContent: blend.name}),
    make("p", {className: "quiet", textContent: `${blend.from} into ${blend.into}`}), amount.pair, ...left,
    make("label", {htmlFor: `${key}.formula`, textContent: "formula"}), chosen, about, params);
}

function buildSettings() {
  const sky = slider("stretch.sky_level", "display value", {min: 0.01, max: 0.5, step: 0.005, value: settings.sky_level}, (next) => {
    settings.sky_level = next;
    redraw();
  });
  const level = make("fieldset", {}, make("legend", {textContent: "Level of the sky"}), sky.pair);
  find("settings").replaceChildren(...settings.blends.map(blendControls), ...(facts.display ? [] : [level]));
}

function buildViews() {
  for (const [name, text] of VIEWS) {
    const choice = make("input", {type: "radio", name: "view", value: name, checked: name === view});
    choice.addEventListener("change", () => {
      stopBlinking();
      view = name;
      find("wipe-row").hidden = view !== "wipe";
      redraw();
    });
    find("views").append(make("label", {}, choice, text));
  }
}

function buildHistograms() {
  for (const name of COLOUR) {
    const marks = [["sky", 26, "1"], ["black", 2, "2"], ["white", 258, "3"]];
    const lines = marks.map(([kind, x]) => `<line class="line" id="${kind}-${name}" x1="${x}" x2="${x}" y1="10" y2="66"/>`);
    const texts = marks.map(([kind, x, text]) => `<text id="${kind}-text-${name}" x="${x === 258 ? 252 : x + 2}" y="9">${text}</text>`);
    const svg = `<svg viewBox="0 0 262 70" role="img" aria-label="Histogram of the ${name} plane"><path class="bars" id="bars-${name}" fill="var(--${name})"/>${lines.join("")}${texts.join("")}</svg>`;
    const figure = make("figure", {innerHTML: svg});
    figure.append(make("figcaption", {textContent: name}));
    find("histograms").append(figure);
    const row = make("tr", {}, make("th", {scope: "row"}));
    row.append(make("td"), make("td"), make("td"));
    find("shares").append(row);
  }
}

function stopBlinking() {
  clearInterval(blinking);
  blinking = 0;
  find("blink").setAttribute("aria-pressed", "false");
}

function listen() {
  find("blink").hidden = Object.keys(facts.lines).length === 0;
  find("scheme").addEventListener("change", (event) => {
    document.documentElement.dataset.scheme = event.target.checked ? "red" : "";
  });
  find("wipe").addEventListener("input", () => {
    find("wipe-value").textContent = `${find("wipe").value} %`;
    redraw();
  });
  find("blink").addEventListener("click", () => {
    if (blinking) {
      stopBlinking();
    } else {
      find("blink").setAttribute("aria-pressed", "true");
      find("view-note").textContent = "Line and colour by turns.";
      blinking = setInterval(() => { lit = !lit; redraw(); }, BLINK_MS);
    }
    redraw();
  });
  for (const id of ["lens-on", "lens-scale"]) {
    find(id).addEventListener("change", () => {
      find("lens-box").hidden = find("frame").hidden = !find("lens-on").checked;
      drawLens();
    });
  }
  const stage = find("stage");
  const move = (x, y) => {
    place.x = Math.min(Math.max(Math.round(x), 0), WIDTH - 1);
    place.y = Math.min(Math.max(Math.round(y), 0), HEIGHT - 1);
    drawLens();
  };
  stage.addEventListener("pointermove", (event) => {
    const box = stage.getBoundingClientRect();
    move((event.clientX - box.left) / box.width * WIDTH, (event.clientY - box.top) / box.height * HEIGHT);
  });
  stage.addEventListener("keydown", (event) => {
    const step = {ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1]}[event.key];
    if (!step) return;
    event.preventDefault();
    const size = event.shiftKey ? 1 : 16;
    move(place.x + size * step[0], place.y + size * step[1]);
  });
  find("reset").addEventListener("click", () => {
    settings = structuredClone(original);
    buildSettings();
    redraw();
  });
  for (const button of document.querySelectorAll("[data-copy]")) button.addEventListener("click", () => copy(button));
}

async function copy(button) {
  const source = find(button.dataset.copy);
  const range = document.createRange();
  range.selectNodeContents(source);
  getSelection().removeAllRanges();
  getSelection().addRange(range);
  let done = false;
  try {
    await navigator.clipboard.writeText(source.textContent);
    done = true;
  } catch {
    done = document.execCommand("copy");
  }
  find("status").textContent = done ? `The ${button.dataset.copy} is copied.` : `The ${button.dataset.copy} is marked; copy it by hand.`;
}

// What can be moved, for measuring: each changes `settings` for the k-th time.
function moves() {
  const own = (index) => [["", (k) => { settings.blends[index].amount = 0.3 + 0.05 * k; }]];
  const others = (index) => Object.keys(FORMULAS).map((formula) => [`, ${formula}`, (k) => {
    Object.assign(settings.blends[index], {formula, amount: 0.3 + 0.05 * k, params: {...FORMULAS[formula].params}, share: {}});
  }]);
  const amounts = original.blends.flatMap(({name}, index) => (
    [...own(index), ...others(index)].map(([text, move]) => [`blend.${name}.amount${text}`, move])));
  return Object.fromEntries([...amounts, ["stretch.sky_level", (k) => { settings.sky_level = 0.06 + 0.005 * k; }]]);
}

// Milliseconds of each of `turns` whole redraws, from the moved value to the drawn canvas.
async function measure(name, turns) {
  await settled();
  // A shader is checked against the settings as they stand, which change here.
  clearTimeout(tallying);
  const kept = settings, times = [];
  for (let k = 0; k < turns; k += 1) {
    settings = structuredClone(original);
    moves()[name](k);
    const start = performance.now();
    await drawView();
    times.push(performance.now() - start);
  }
  settings = kept;
  redraw();
  return times;
}

async function begin() {
  let {light, mask: stars} = await readLayers();
  mask = stars;
  const workers = Math.min(navigator.hardwareConcurrency || 1, MOST_WORKERS, HEIGHT);
  onProcessors = () => {
    const {paint: painted} = bandPainter(facts, light, mask, find("engine").textContent, workers);
    light = null;
    return {paint: painted, trusted: () => true, slow: () => false};
  };
  // A chip that is only imitated is slower than the workers are.
  painter = chipPainter(facts, light, mask, {imitated: location.hash.startsWith("#imitated-chip")}) ?? onProcessors();
  const binned = facts.factor > 1 ? `, averaged over ${facts.factor} x ${facts.factor} pixels` : "";
  find("lead").textContent = `Try the weights: ${WIDTH} x ${HEIGHT} pixels${binned}; the picture is computed here, by the program's own equations.`;
  buildViews();
  buildSettings();
  buildHistograms();
  listen();
  find("content").hidden = find("below").hidden = false;
  drawing = draw();
  await drawing;
  drawing = null;
  tally();
  document.documentElement.dataset.ready = "yes";
}

// For tests and for the console.
const blendPage = {
  moves: () => Object.keys(moves()), measure, settled, command: commandText, recipe: recipeText, bytes: () => withLines.data, settings: () => settings,
  onChip: () => Boolean(painter.check), checkChip,
};

begin().catch((fault) => {
  find("status").textContent = `This page cannot be shown: ${fault.message}.`;
  throw fault;
});
