// What the page shows and listens to; the arithmetic is the engine's.

const SIZE = WIDTH * HEIGHT;
const MOST_WORKERS = 8, BLINK_MS = 800, REST_MS = 250, TOLD_MS = 2000;

function make(tag, properties = {}, ...children) {
  const element = Object.assign(document.createElement(tag), properties);
  element.append(...children);
  return element;
}

// --- layers -------------------------------------------------------------------------------------------------

function fromBase64(text) {
  if (Uint8Array.fromBase64) return Uint8Array.fromBase64(text);
  const codes = atob(text), bytes = new Uint8Array(codes.length);
  for (let i = 0; i < bytes.length; i += 1) bytes[i] = codes.charCodeAt(i);
  return bytes;
}

async function unpack(element) {
  const bytes = fromBase64(element.textContent);
  element.remove();
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate-raw"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

async function readLayers() {
  const light = {};
  let mask = null;
  const unpacked = [...document.querySelectorAll("script.layer")].map(async (element) => [element.dataset.name, await unpack(element)]);
  for (const [name, bytes] of await Promise.all(unpacked)) {
    const half = bytes.length / 2;
    if (name === "mask") mask = bytes;
    else light[name] = {high: bytes.subarray(0, half), low: bytes.subarray(half)};
    if (name.startsWith("shift ")) light[name] = lightOf(light[name], name, facts);
  }
  return {light, mask};
}

// --- drawing ------------------------------------------------------------------------------------------------

const over = find("over").getContext("2d"), under = find("under").getContext("2d");
for (const canvas of [over.canvas, under.canvas]) [canvas.width, canvas.height] = [WIDTH, HEIGHT];
[layerBox.style.width, layerBox.style.height] = [`${WIDTH}px`, `${HEIGHT}px`];
const picture = () => new ImageData(WIDTH, HEIGHT);
const right = picture(), left = picture(), spare = picture();
const [ROUGH_WIDTH, ROUGH_HEIGHT] = [Math.ceil(WIDTH / 2), Math.ceil(HEIGHT / 2)];
// Half the size, on a canvas of its own that lies over the other, drawn twice as large.
const rough = new ImageData(ROUGH_WIDTH, ROUGH_HEIGHT), sketched = find("rough").getContext("2d");
[sketched.canvas.width, sketched.canvas.height] = [ROUGH_WIDTH, ROUGH_HEIGHT];
let painter, mask, solved, blinking = 0, tallying = 0, resting = 0;
let waiting = false, drawing = null, again = false, moving = false;

const settings = (given = values) => settingsOf(effective(given), facts);
const bare = (given) => ({...given, ...Object.fromEntries(facts.blends.map(({name}) => [`blend.${name}.amount`, 0]))});

function drawAdded(made, plain, out) {
  const counts = new Uint32Array(256);
  const least = (k) => Math.max(made[k] - plain[k], made[k + 1] - plain[k + 1], made[k + 2] - plain[k + 2], 0);
  for (let k = 0; k < made.length; k += 4) counts[least(k)] += 1;
  let top = 255;
  for (let rest = 0.001 * SIZE - counts[top]; rest > 0 && top > 1; rest -= counts[top]) top -= 1;
  for (let k = 0; k < made.length; k += 4) {
    const share = Math.min(least(k) / top, 1);
    out[k] = 255 * share; out[k + 1] = 184 * share ** 1.2; out[k + 2] = 115 * share ** 1.6; out[k + 3] = 255;
  }
  find("view-note").textContent = `What lines add, largest of the three planes. Full brightness: ${top} of 255 or more.`;
}

function drawMask(out) {
  for (let i = 0, k = 0; i < SIZE; i += 1, k += 4) {
    out[k] = out[k + 1] = out[k + 2] = mask ? mask[i] : 0;
    out[k + 3] = 255;
  }
  find("view-note").textContent = mask ? "1 (white) on stars, 0 (black) on sky." : "No star mask was made.";
}

// Fills an image with what a word of the two lists means; returns what was solved.
async function paintSource(word, slot, image) {
  if (word.startsWith("line ")) return painter.paintLine(word.slice(5), settings(), image.data);
  if (word === "mask") return drawMask(image.data);
  if (word === "added") {
    await painter.paint({slot, settings: settings()}, image.data);
    await painter.paint({slot: "spare", settings: settings(bare(values))}, spare.data);
    return drawAdded(image.data.slice(), spare.data, image.data);
  }
  const given = {now: values, without: bare(values), opened: original}[word] ?? slots[word].values;
  return painter.paint({slot, settings: settings(given)}, image.data);
}

const nameOf = (word) => sources().find(([key]) => key === word)?.[1] ?? "";

async function drawView() {
  const [show, against] = [find("show").value, find("against").value];
  if (moving && show === "now") {
    solved = await painter.sketch(settings(), rough.data);
    sketched.putImageData(rough, 0, 0);
    sketched.canvas.hidden = false;
    return;
  }
  find("view-note").textContent = "";
  solved = (await paintSource(show, "right", right)) ?? solved;
  over.putImageData(right, 0, 0);
  sketched.canvas.hidden = true;
  if (against !== "none") {
    await paintSource(against, "left", left);
    under.putImageData(left, 0, 0);
  }
  find("name-left").textContent = against === "none" ? "" : nameOf(against);
  find("name-right").textContent = nameOf(show);
}

function tally() {
  const counts = COLOUR.map(() => new Uint32Array(256)), {data} = right, top = Math.log(SIZE);
  for (let k = 0; k < data.length; k += 4) {
    counts[0][data[k]] += 1; counts[1][data[k + 1]] += 1; counts[2][data[k + 2]] += 1;
  }
  COLOUR.forEach((name, p) => {
    const bars = Array.from(counts[p], (count, value) => `V${(66 - 60 * (count > 0 ? Math.log(count + 1) / top : 0)).toFixed(1)}H${value + 3}`);
    find(`bars-${name}`).setAttribute("d", `M2 66${bars.join("")}V66Z`);
    [find(`sky-${name}`), find(`sky-text-${name}`)].forEach((mark, k) => {
      for (const key of k ? ["x"] : ["x1", "x2"]) mark.setAttribute(key, 2 + 256 * solved.level + 2 * k);
    });
    const cells = [name, solved.level.toFixed(3), ...[0, 255].map((value) => `${(100 * counts[p][value] / SIZE).toFixed(3)} %`)];
    find("shares").children[p].querySelectorAll("th, td").forEach((cell, k) => { cell.textContent = cells[k]; });
  });
}

// What a run makes otherwise, said on the picture.
function captionText() {
  const told = [], noise = facts.finish.chroma_reduction > 0 || facts.finish.green_limit > 0;
  if (facts.factor > 1) told.push(`Means of ${facts.factor} x ${facts.factor} pixels: less noise and smaller detail than a run's picture.`);
  if (noise && !same(effective(values), effective(original))) told.push("Colour noise is taken out as measured when the page was made; a run measures it anew.");
  else if (noise && facts.factor > 1) told.push("Colour noise is that of the means.");
  const blocks = [...(noise ? ["colour noise"] : []), ...(values["finish.saturation"] > 1 ? ["saturation above 1"] : [])];
  if (blocks.length && facts.factor === 1) told.push(`By blocks of 4 x 4 pixels, which may begin elsewhere in a run: ${blocks.join(" and ")}.`);
  const unseen = Object.keys(facts.others).filter((key) => values[key] !== facts.neutral[key]);
  if (unseen.length) told.push(`Not shown, only a run does it: ${unseen.map(labelOf).join(", ")}.`);
  return told.join(" ") || "As a run makes it, to one step of 8 bits.";
}

async function draw() {
  try {
    await drawView();
  } catch (fault) {
    if (!(fault instanceof RangeError)) throw fault;
    find("status").textContent = `Not drawn: ${fault.message}.`;
    return;
  }
  find("status").textContent = "";
  if (moving) return;
  find("solved").textContent = `Sky at ${solved.level.toFixed(3)}${solved.lowered ? ", lowered because noise would show" : ""}; ${solved.curve} stretch.`;
  find("caption").textContent = captionText();
  find("command").textContent = commandText();
  find("recipe").textContent = recipeText();
  place();
  clearTimeout(tallying);
  tallying = setTimeout(tally, 150);
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

// A value moves: half size, and in full once it rests.
function changing() {
  moving = true;
  clearTimeout(resting);
  resting = setTimeout(rested, REST_MS);
  redraw();
}

function rested() {
  clearTimeout(resting);
  moving = false;
  remember();
  writeAddress();
  showSteps();
  redraw();
}

// Resolves once everything that was set is on the canvas in full.
async function settled() {
  if (moving) rested();
  while (waiting || drawing || again) await new Promise((done) => { setTimeout(done, 5); });
}

// --- looking -----------------------------------------------------------------------------------------------

function sources() {
  const kept = SLOTS.filter((name) => slots[name]).map((name) => [name, `Place ${name}`]);
  const lines = Object.keys(facts.lines).map((name) => [`line ${name}`, `${name} alone`]);
  return [["now", "As set"], ["without", "Without lines"], ["opened", "As it opened"], ...kept, ...lines, ["added", "What lines add"], ["mask", "Star mask"]];
}

function fillSources() {
  for (const [id, first] of [["show", []], ["against", [["none", "Against nothing"]]]]) {
    const list = find(id), chosen = list.value || (id === "show" ? "now" : "none");
    list.replaceChildren(...[...first, ...sources()].map(([value, textContent]) => make("option", {value, textContent})));
    list.value = [...list.options].some(({value}) => value === chosen) ? chosen : list.options[0].value;
  }
}

function setBlink(on) {
  clearInterval(blinking);
  blinking = on ? setInterval(() => { eye.under = !eye.under; place(); }, BLINK_MS) : 0;
  eye.under = false;
  find("blink").setAttribute("aria-pressed", String(on));
  place();
}

function setWipe(on) {
  eye.wiping = on;
  find("wipe").setAttribute("aria-pressed", String(on));
  place();
}

// Something to compare with: without lines, unless something is chosen.
function needAgainst() {
  if (find("against").value !== "none") return;
  find("against").value = "without";
  redraw();
}

function turnOnce() {
  needAgainst();
  setBlink(false);
  eye.under = turnOnce.under = !turnOnce.under;
  place();
}

function listen() {
  for (const id of ["show", "against"]) {
    find(id).addEventListener("change", () => {
      if (find("against").value === "none") { setWipe(false); setBlink(false); }
      redraw();
    });
  }
  find("wipe").addEventListener("click", () => { needAgainst(); setBlink(false); setWipe(!eye.wiping); });
  find("blink").addEventListener("click", () => { needAgainst(); setWipe(false); setBlink(!blinking); });
  find("scheme").addEventListener("change", (event) => {
    document.documentElement.dataset.scheme = event.target.checked ? "red" : "";
  });
  const turn = (by) => { if (stepTo(at + by)) refresh(); };
  find("undo").addEventListener("click", () => turn(-1));
  find("redo").addEventListener("click", () => turn(1));
  find("reset").addEventListener("click", () => { values = structuredClone(original); refresh(); });
  document.addEventListener("keydown", (event) => {
    if (!(event.ctrlKey || event.metaKey)) return;
    const key = event.key.toLowerCase(), by = key === "y" || (key === "z" && event.shiftKey) ? 1 : key === "z" ? -1 : 0;
    if (by === 0) return;
    event.preventDefault();
    turn(by);
  });
  window.addEventListener("hashchange", () => openAddress());
  for (const button of document.querySelectorAll("[data-copy]")) {
    button.addEventListener("click", () => copy(button, find(button.dataset.copy).textContent));
  }
  find("copy-link").addEventListener("click", () => copy(find("copy-link"), location.href));
  find("save").addEventListener("click", saveRecipe);
  find("keep-free").addEventListener("click", () => keepSomewhere("keep-free", values));
}

function say(button, text) {
  const usual = (button.dataset.usual ??= button.textContent);
  button.textContent = text;
  setTimeout(() => { button.textContent = usual; }, TOLD_MS);
}

async function copy(button, text) {
  let done = false;
  try {
    await navigator.clipboard.writeText(text);
    done = true;
  } catch {
    const area = make("textarea", {value: text});
    document.body.append(area);
    area.select();
    done = document.execCommand("copy");
    area.remove();
    button.focus();
  }
  say(button, done ? "Copied" : "Not copied");
}

function saveRecipe() {
  const address = URL.createObjectURL(new Blob([recipeText()], {type: "application/toml"}));
  make("a", {href: address, download: "kept.toml"}).click();
  setTimeout(() => URL.revokeObjectURL(address), TOLD_MS);
  say(find("save"), "Saved: kept.toml");
}

// --- begin -----------------------------------------------------------------------------------------------------

// What is set was set by something else than the controls.
function refresh() {
  buildSettings();
  rested();
}

function openAddress() {
  const odd = readAddress();
  buildSlots();
  fillSources();
  refresh();
  if (odd.length) settled().then(() => { find("status").textContent = `The address holds what this page does not know or may not be so: ${odd.join(", ")}.`; });
  fillSlots();
}

function buildHistograms() {
  for (const name of COLOUR) {
    const marks = [["sky", 26, "1"], ["black", 2, "2"], ["white", 258, "3"]];
    const lines = marks.map(([kind, x]) => `<line class="line" id="${kind}-${name}" x1="${x}" x2="${x}" y1="10" y2="66"/>`);
    const texts = marks.map(([kind, x, text]) => `<text id="${kind}-text-${name}" x="${x === 258 ? 252 : x + 2}" y="9">${text}</text>`);
    const svg = `<svg viewBox="0 0 262 70" role="img" aria-label="Histogram of the ${name} plane"><path class="bars" id="bars-${name}" fill="var(--${name})"/>${lines.join("")}${texts.join("")}</svg>`;
    find("histograms").append(make("figure", {innerHTML: svg}));
    find("shares").append(make("tr", {}, make("th", {scope: "row"}), make("td"), make("td"), make("td")));
  }
}

// Milliseconds of `turns` redraws of a value that moves by `step`, half size or in full.
async function measure(key, step, turns, half = true) {
  await settled();
  const kept = structuredClone(values), times = [];
  for (let k = 0; k < turns; k += 1) {
    values[key] = original[key] + step * (k + 1);
    moving = half;
    const start = performance.now();
    await drawView();
    times.push(performance.now() - start);
  }
  moving = false;
  values = kept;
  redraw();
  return times;
}

async function begin() {
  const count = clamp(Math.floor(HEIGHT / 16), 1, Math.min(navigator.hardwareConcurrency || 1, MOST_WORKERS));
  const workers = startWorkers(find("engine").textContent, count), {light, mask: stars} = await readLayers();
  mask = stars;
  painter = bandPainter(facts, light, mask, workers);
  find("lead").textContent = `${WIDTH} x ${HEIGHT} pixels${facts.factor > 1 ? `, each the mean of ${facts.factor} x ${facts.factor}` : ""}. The picture is computed here, by the program's own equations.`;
  find("content").hidden = false;
  const odd = readAddress();
  buildSettings();
  buildSlots();
  fillSources();
  buildTiles();
  buildHistograms();
  listenToStage();
  listen();
  // Half the size at once, in full when that is there.
  for (moving of [true, false]) {
    place();
    drawing = draw();
    await drawing;
    document.documentElement.dataset.shown ??= String(Math.round(performance.now()));
  }
  drawing = null;
  remember();
  showSteps();
  tally();
  document.documentElement.dataset.ready = "yes";
  if (odd.length) find("status").textContent = `The address holds what this page does not know or may not be so: ${odd.join(", ")}.`;
  fillSlots();
}

// For tests and for the console.
const blendPage = {settled, measure, command: commandText, recipe: recipeText, address: addressText, bytes: () => right.data, rough: () => rough.data, values: () => values};

begin().catch((fault) => {
  find("status").textContent = `This page cannot be shown: ${fault.message}.`;
  throw fault;
});
