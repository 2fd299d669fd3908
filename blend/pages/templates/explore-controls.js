// Controls of the values, and the four places to keep a look in.

const labelOf = (key) => key.split(".").slice(1).join(" ").replaceAll("_", " ");

// A slider and a number for one value, which follow each other; a number that may not be is marked and explained.
function slider(id, label, {range: [min, max], step, value, show = [min, max]}, changed) {
  const range = make("input", {type: "range", id: `${id}-slider`, min: show[0], max: show[1], step});
  const number = make("input", {type: "number", id, step: "any"});
  const wrong = make("p", {className: "wrong", id: `${id}-wrong`, hidden: true});
  range.value = number.value = value;
  range.setAttribute("aria-label", label);
  number.setAttribute("aria-describedby", wrong.id);
  const judge = (next) => {
    const fits = next >= min && next <= max;
    wrong.hidden = fits;
    wrong.textContent = fits ? "" : `${number.value === "" ? "No number" : `${number.value} is not taken`}: ${label} goes from ${min} to ${max}. The picture keeps ${range.value}.`;
    number.setAttribute("aria-invalid", String(!fits));
    return fits;
  };
  range.addEventListener("input", () => { number.value = range.value; judge(Number(range.value)); changed(Number(range.value)); changing(); });
  range.addEventListener("change", rested);
  number.addEventListener("input", () => {
    const next = number.valueAsNumber;
    if (!judge(next)) return;
    range.value = next;
    changed(next);
    changing();
  });
  return make("div", {className: "pair"}, make("label", {htmlFor: id, textContent: label}), range, number, wrong);
}

function choice(id, label, options, value, changed) {
  const list = make("select", {id, className: "wide"}, ...options.map(([key, text, disabled = false]) => make("option", {value: key, textContent: text, disabled})));
  list.value = value;
  list.addEventListener("change", () => { changed(list.value); refreshKeeping(id); });
  return make("div", {}, make("label", {htmlFor: id, textContent: label}), list);
}

// The controls anew, with the focus where it was.
function refreshKeeping(id) {
  refresh();
  find(id)?.focus();
}

const numberAt = (key, label, step, show) => slider(key, label, {range: rangeOf(key), step, value: values[key], show: show ?? rangeOf(key)}, (next) => { values[key] = next; });

function paramsOf(formula, name) {
  const own = original[`blend.${name}.formula`] === formula ? original[`blend.${name}.params`] : {};
  return {...FORMULAS[formula].params, ...own};
}

function sharesOf(blend) {
  const value = effective(values)[`blend.${blend.name}.into_other_planes`];
  return value === "hydrogen" ? blend.share : value === "none" ? {} : value;
}

// The colour of a line's light: what of each count added to red goes into the other planes.
function colourControls(blend) {
  const key = `blend.${blend.name}.into_other_planes`;
  if (blend.into !== "red") return [];
  if (domainOf(values[`blend.${blend.name}.formula`]) === "display") {
    return [make("p", {className: "quiet", textContent: "The colour of the line is that of the plane: light for other planes goes with a formula before the stretch alone."})];
  }
  const swatch = make("span", {className: "swatch tinted"});
  const paint = () => {
    const {blue = 0, green = 0} = sharesOf(blend), codes = [1, green, blue].map((light) => Math.round(255 * encodeExactly(Math.min(light, 1))));
    swatch.style.background = `rgb(${codes.join(" ")})`;
  };
  paint();
  const parts = ["green", "blue"].map((plane) => slider(`${key}.${plane}`, `into ${plane}, of what red gains`,
    {range: rangeOf(key), step: 0.01, value: Number((sharesOf(blend)[plane] ?? 0).toFixed(4))}, (next) => {
      values[key] = {blue: 0, green: 0, ...sharesOf(blend), [plane]: next};
      paint();
    }));
  return [make("p", {}, "Colour of the line ", swatch), ...parts];
}

function blendControls(blend) {
  const key = (part) => `blend.${blend.name}.${part}`, formula = values[key("formula")];
  const entry = FORMULAS[formula];
  const params = Object.entries({...entry.params, ...values[key("params")]}).map(([name, value]) => {
    const reach = Math.max(2 * Math.abs(value), 1);
    return slider(`${key("params")}.${name}`, name, {range: [-1e6, 1e6], show: [-reach, reach], step: 0.01, value}, (next) => {
      values[key("params")] = {...values[key("params")], [name]: next};
    });
  });
  const left = blend.chosen ? [make("p", {className: "quiet", textContent: `The recipe says auto; ${original[key("amount")]} is what its rule chose on these layers.`})] : [];
  const lost = entry.domain === "display" && !same(original[key("into_other_planes")], "none") ? " What goes into other planes is left out." : "";
  return make("fieldset", {}, make("legend", {textContent: blend.heading}), numberAt(key("amount"), "weight", 0.01), ...left,
    choice(key("formula"), "formula", Object.keys(FORMULAS).map((name) => [name, name]), formula, (next) => {
      values[key("formula")] = next;
      values[key("params")] = paramsOf(next, blend.name);
    }),
    make("p", {className: "quiet", textContent: `${entry.equation} (${entry.domain === "display" ? "after" : "before"} the stretch).${lost}`}), ...params, ...colourControls(blend));
}

function whiteControls() {
  const white = values["stretch.white"], given = typeof white === "number";
  const kinds = [["target", facts.target ? "by the target" : "by the target (none was found)", !facts.target], ["saturation", "where the sensor saturates"], ["level", "a level of light"]];
  const list = choice("stretch.white", "white", kinds, given ? "level" : white, (next) => {
    values["stretch.white"] = next === "level" ? (typeof original["stretch.white"] === "number" ? original["stretch.white"] : facts.white) : next;
  });
  if (white === "target") return [list, numberAt("stretch.white_level", "the target's brightest part at", 0.01)];
  if (!given) return [list];
  return [list, slider("stretch.white.level", "level over the sky that is white", {range: [1e-6, 100], show: [facts.white / 50, facts.white], step: "any", value: white}, (next) => { values["stretch.white"] = next; })];
}

function buildSettings() {
  const tone = [...(facts.display ? [] : [numberAt("stretch.sky_level", "sky at", 0.005), ...whiteControls()]),
    numberAt("finish.contrast", "contrast", 0.02), numberAt("finish.saturation", "saturation", 0.02)];
  const others = Object.entries(facts.others).map(([key, about]) => make("div", {}, numberAt(key, labelOf(key), 0.01), make("p", {className: "quiet", textContent: `Not shown here, kept for the run: ${about}`})));
  find("settings").replaceChildren(...facts.blends.map(blendControls), make("fieldset", {}, make("legend", {textContent: "tone"}), ...tone),
    ...(others.length ? [make("fieldset", {}, make("legend", {textContent: "only in a run"}), ...others)] : []));
}

function showSteps() {
  find("undo").disabled = at <= 0;
  find("redo").disabled = at >= past.length - 1;
}

// --- places ---------------------------------------------------------------------------------------------------

const THUMB = 240;

function slotCard(name) {
  const kept = slots[name], card = make("div", {className: "slot", id: `slot-${name}`});
  const canvas = make("canvas", {width: THUMB, height: Math.max(1, Math.round(THUMB * HEIGHT / WIDTH)), className: "tinted"});
  canvas.setAttribute("role", "img");
  canvas.setAttribute("aria-label", kept ? `Place ${name}` : `Place ${name} is empty`);
  if (kept?.thumb) canvas.getContext("2d").drawImage(kept.thumb, 0, 0, canvas.width, canvas.height);
  const keep = make("button", {type: "button", textContent: "Keep", id: `keep-${name}`});
  keep.setAttribute("aria-label", `Keep what is set in place ${name}`);
  keep.addEventListener("click", () => keepIn(name, values));
  const use = make("button", {type: "button", textContent: "Use", id: `use-${name}`, disabled: !kept});
  use.setAttribute("aria-label", `Use what place ${name} holds`);
  use.addEventListener("click", () => { values = structuredClone(slots[name].values); refresh(); });
  card.append(make("h3", {textContent: kept?.label ? `${name}: ${kept.label}` : name}), canvas);
  if (kept?.numbers) {
    const {contrast, noise, stars, clipped} = kept.numbers, word = (value, digits) => (value === null ? "-" : value.toFixed(digits));
    const rows = [["emission", word(contrast, 3)], ["sky noise", word(noise, 3)], ["stars", word(stars, 2)], ["white", `${(100 * clipped).toFixed(3)} %`]];
    card.append(make("dl", {}, ...rows.flatMap(([term, text]) => [make("dt", {textContent: term}), make("dd", {textContent: text})])));
  }
  card.append(make("div", {className: "bar"}, keep, use));
  return card;
}

function buildSlots() {
  const focus = document.activeElement?.id;
  find("slots").replaceChildren(...SLOTS.map(slotCard));
  if (focus) find(focus)?.focus();
}

let filling = Promise.resolve();

async function keepIn(name, given, label = "") {
  slots[name] = {values: structuredClone(given), numbers: null, label};
  fillSources();
  writeAddress();
  await fillSlots();
  if ([find("show").value, find("against").value].includes(name)) redraw();
}

// In the first free place, else in the last; the button that asked says where.
function keepSomewhere(id, given, label = "") {
  const name = SLOTS.find((slot) => !slots[slot]) ?? SLOTS[SLOTS.length - 1];
  keepIn(name, given, label);
  say(find(id), `In place ${name}`);
}

// Pictures and numbers of places that have none, one after the other.
function fillSlots() {
  filling = filling.then(async () => {
    for (const name of SLOTS) {
      const kept = slots[name];
      if (!kept || kept.numbers) continue;
      await settled();
      const [made, plain] = [picture(), spare];
      await painter.paint({slot: "spare", settings: settings(kept.values)}, made.data);
      await painter.paint({slot: "spare", settings: settings(bare(kept.values))}, plain.data);
      kept.numbers = numbersOf(made.data, plain.data);
      kept.thumb = await createImageBitmap(made, {resizeWidth: THUMB, resizeQuality: "high"});
    }
    buildSlots();
  });
  return filling;
}

function buildTiles() {
  if (facts.tiles.length === 0) return;
  find("tile-row").hidden = false;
  const text = (value) => (typeof value === "object" ? toml(value) : String(value));
  for (const tile of facts.tiles) {
    const known = Object.entries(tile.values).every(([key, value]) => mayBe(key, value));
    const set = Object.entries(tile.values).map(([key, value]) => `${key} ${text(value)}`).join(", ");
    find("tile").append(make("option", {value: tile.tile, textContent: `${tile.tile}: ${set}${known ? "" : " (only in a run)"}`, disabled: !known}));
  }
  find("load-tile").disabled = find("tile").selectedOptions.length === 0;
  find("load-tile").addEventListener("click", () => {
    const tile = facts.tiles.find((entry) => String(entry.tile) === find("tile").value);
    keepSomewhere("load-tile", {...original, ...tile.values}, `tile ${tile.tile}`);
  });
}
