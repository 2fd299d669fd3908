// The values on screen by recipe key: as text, in the address, undone and done again.

const find = (id) => document.getElementById(id);
const facts = JSON.parse(find("facts").textContent);
const original = facts.values;
let values = structuredClone(original);
const SLOTS = ["A", "B", "C", "D"];
const slots = Object.fromEntries(SLOTS.map((name) => [name, null]));
const domainOf = (formula) => FORMULAS[formula].domain;
const same = (a, b) => JSON.stringify(a) === JSON.stringify(b);

function toml(value) {
  if (typeof value === "number") return Number.isInteger(value) && !/e/.test(String(value)) ? `${value}.0` : String(value);
  if (typeof value === "string") return JSON.stringify(value);
  const inner = Object.entries(value).map(([key, part]) => `${key} = ${toml(part)}`);
  return inner.length ? `{ ${inner.join(", ")} }` : "{}";
}

// A display formula takes no share, and a share of one's own has its dust in it.
function effective(given) {
  const made = {...given};
  for (const {name} of facts.blends) {
    const key = (part) => `blend.${name}.${part}`;
    if (domainOf(made[key("formula")]) === "display") made[key("into_other_planes")] = "none";
    if (made[key("into_other_planes")] !== "hydrogen") made[key("extinction_a_v")] = 0;
  }
  return made;
}

// What a recipe has to say to make what is on screen, by key; a chosen amount is said, since a run may choose another.
function changesOf(given) {
  const now = effective(given), before = {...original};
  for (const {name, chosen} of facts.blends) if (chosen) before[`blend.${name}.amount`] = "auto";
  return Object.fromEntries(Object.keys(now).filter((key) => !same(now[key], before[key])).map((key) => [key, now[key]]));
}

const quoted = (word) => (/^[\w.,:/=+-]+$/.test(word) ? word : `'${word.replaceAll("'", `'\\''`)}'`);
const bareText = (value) => (typeof value === "string" ? value : toml(value));

function commandText() {
  const sets = Object.entries(changesOf(values)).map(([key, value]) => `--set ${quoted(`${key}=${bareText(value)}`)}`);
  // What the page was opened with gives way to what is set now.
  const keyOf = (text) => text.replace(/^'/, "").split("=")[0];
  const changed = (text) => sets.some((set) => keyOf(text) === keyOf(set.slice("--set ".length)));
  const [run, ...given] = (facts.command || "blend run RECIPE TARGET").split(" --set ");
  return [run, ...given.filter((text) => !changed(text)).map((text) => `--set ${text}`), ...sets].join(" ");
}

function wholeRecipe() {
  const now = effective(values);
  return facts.recipe.text.replaceAll(new RegExp(`"${facts.recipe.open} ([^"]+)"`, "g"), (_, key) => toml(now[key]));
}

// What differs from the recipe that was opened; the whole where a parent's key would have to be taken out of a table.
function recipeText() {
  const changes = changesOf(values), {extends: parent, given} = facts.recipe;
  const lost = Object.entries(changes).some(([key, value]) => typeof value === "object" && typeof original[key] === "object"
    && Object.keys(original[key]).some((part) => !(part in value)));
  const note = `# Kept on the page to try weights on. The picture: blend run THIS_FILE TARGET\n`;
  if (!parent || lost) return note + wholeRecipe();
  const before = Object.entries(given).filter(([key]) => !Object.keys(changes).some((own) => key === own || key.startsWith(`${own}.`)));
  const lines = [...before.map(([key, text]) => `${key} = ${text}`), ...Object.entries(changes).map(([key, value]) => `${key} = ${toml(value)}`)];
  return `${note}version = 1\nextends = ${JSON.stringify(parent)}\n${lines.join("\n")}${lines.length ? "\n" : ""}`;
}

// --- a value's text, and whether it may be -------------------------------------------------------------------

function readText(text) {
  if (text !== "" && Number.isFinite(Number(text))) return Number(text);
  if (text.startsWith("{")) return JSON.parse(text.replace(/([\w-]+) = /g, '"$1": '));
  return text.startsWith('"') ? JSON.parse(text) : text;
}

const rangeOf = (key) => facts.ranges[key.replace(/\.into_other_planes\..*$/, ".into_other_planes")] ?? null;
const inRange = (value, [least, most]) => typeof value === "number" && value >= least && value <= most;

function mayBe(key, value) {
  if (!(key in original)) return false;
  if (key === "stretch.white") return value === "saturation" || value === "target" || inRange(value, [Number.MIN_VALUE, 100]);
  if (key.endsWith(".formula")) return Object.hasOwn(FORMULAS, value);
  if (key.endsWith(".into_other_planes")) return ["none", "hydrogen"].includes(value) || (typeof value === "object" && Object.values(value).every((part) => inRange(part, [0, 1])));
  if (key.endsWith(".params")) return typeof value === "object" && Object.values(value).every(Number.isFinite);
  return rangeOf(key) ? inRange(value, rangeOf(key)) : typeof value === "number";
}

// Values over those that the page opened with; `odd` gets the keys that may not be so.
function withText(pairs, odd = []) {
  const made = structuredClone(original);
  for (const [key, text] of pairs) {
    let value;
    try { value = readText(text); } catch { value = undefined; }
    if (mayBe(key, value)) made[key] = value; else odd.push(key);
  }
  return made;
}

// --- the address ----------------------------------------------------------------------------------------------

function queryOf(given) {
  const now = effective(given);
  return Object.keys(now).filter((key) => !same(now[key], original[key]))
    .map((key) => `${key}=${encodeURIComponent(bareText(now[key]))}`).join("&");
}

function addressText() {
  const kept = SLOTS.filter((name) => slots[name]).map((name) => `${name}=${encodeURIComponent(queryOf(slots[name].values))}`);
  return [queryOf(values), ...kept].filter(Boolean).join("&");
}

const pairsOf = (query) => query.split("&").filter(Boolean).map((part) => {
  const at = part.indexOf("=");
  return [part.slice(0, at), decodeURIComponent(part.slice(at + 1))];
});

function readAddress() {
  const odd = [];
  let pairs = [];
  try { pairs = pairsOf(location.hash.slice(1)); } catch { odd.push(location.hash); }
  values = withText(pairs.filter(([key]) => !SLOTS.includes(key)), odd);
  const kept = new Map(pairs.filter(([key]) => SLOTS.includes(key)));
  for (const name of SLOTS) slots[name] = kept.has(name) ? {values: withText(pairsOf(kept.get(name)), odd), numbers: null} : null;
  return odd;
}

function writeAddress() {
  const text = addressText();
  if (location.hash.slice(1) !== text) history.replaceState(null, "", text ? `#${text}` : location.pathname);
}

// --- undo and redo ---------------------------------------------------------------------------------------------

const MOST_STEPS = 200;
const past = [];
let at = -1;

function remember() {
  if (at >= 0 && same(past[at], values)) return;
  past.splice(at + 1);
  past.push(structuredClone(values));
  if (past.length > MOST_STEPS) past.shift();
  at = past.length - 1;
}

function stepTo(place) {
  if (place < 0 || place >= past.length) return false;
  at = place;
  values = structuredClone(past[at]);
  return true;
}
