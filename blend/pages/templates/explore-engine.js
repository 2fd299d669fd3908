// The arithmetic of the page: the steps after balance and before finish, as the program does them.
// It needs CURVES, FORMULAS, LUMINANCE_WEIGHTS, numbers and loops that are printed before it, and touches no document.

const COLOUR = ["red", "green", "blue"];
const SAME_CODE = 6e-8;
const MOST_SKY_NOISE = 0.025;
const MOST_TARGET_NOISE = 0.02;
const [WEIGHT_RED, WEIGHT_GREEN, WEIGHT_BLUE] = LUMINANCE_WEIGHTS;

// Pixels of a run that a loop leaves to a slower one.
const LEFT_OVER = new Float32Array(BLOCK);
function marked(count) {
  const places = [];
  for (let i = 0; i < count; i += 1) if (LEFT_OVER[i] !== 0) places.push(i);
  return places;
}

// --- sRGB, IEC 61966-2-1; the finish's tables, with the steps to the next entry: light by code, code by root of light --

const encodeExactly = (light) => (light <= 0.0031308 ? 12.92 * light : 1.055 * Math.pow(light, 1 / 2.4) - 0.055);
const decodeExactly = (code) => (code <= 0.04045 ? code / 12.92 : Math.pow((code + 0.055) / 1.055, 2.4));
const withSteps = (values) => [values, values.map((value, i) => (i + 1 < values.length ? values[i + 1] - value : 0))];
const TRANSFER = [...withSteps(Float32Array.from({length: STEPS + 2}, (_, i) => decodeExactly(i / STEPS))),
  ...withSteps(Float32Array.from({length: STEPS + 2}, (_, i) => encodeExactly((i / STEPS) ** 2)))];
const [decode, decode_step, encode, encode_step] = TRANSFER;

// Light of a code value in [0, 1].
function decodeNear(code) {
  const place = code * STEPS, entry = place | 0;
  return decode[entry] + (place - entry) * decode_step[entry];
}

const clip01 = (value) => (value < 0 ? 0 : value > 1 ? 1 : value);

// --- a function of light by table: one entry for each of 1024 parts of a factor 2 --------------------------

const floatView = new Float32Array(1);
const bitView = new Int32Array(floatView.buffer);

const bitsOf = (value) => {
  floatView[0] = value;
  return bitView[0] >>> PART_BITS;
};

function tabulate(compute, least) {
  const first = bitsOf(least);
  const values = new Float32Array(bitsOf(1) - first + 1);
  for (let i = 0; i < values.length; i += 1) {
    bitView[0] = ((i + first) << PART_BITS) + (1 << (PART_BITS - 1));
    values[i] = compute(Math.min(Math.max(floatView[0], least), 1));
  }
  values[values.length - 1] = compute(1);
  return {first, values};
}

// --- the stretch: one parameter, solved so that the sky lands where asked ----------------------------------

function rootOf(miss, low, high) {
  const rising = miss(high) > miss(low);
  for (let i = 0; i < 200; i += 1) {
    const middle = 0.5 * (low + high);
    if (middle === low || middle === high) break;
    if ((miss(middle) > 0) === rising) high = middle; else low = middle;
  }
  return 0.5 * (low + high);
}

function solveStretch({curve, sky_level: wanted, black_sigma: blackSigma, sigma, white, shown, target}) {
  const noise = sigma > 0 ? sigma : 1e-6 * white;
  const visible = shown > 0 ? shown : noise;
  const ask = {curve, wanted, visible};
  if (!target) return solveBetween(ask, -blackSigma * noise, white);
  const lowest = -0.999 * white * wanted / (1 - wanted);
  const black = Math.min(-blackSigma * noise, Math.max(-wanted * visible / MOST_TARGET_NOISE, lowest));
  const [light, level] = target, top = solveReach(ask, black, white, light, level);
  const solved = solveBetween(ask, black, top), {reach} = solved;
  if (top >= white || light >= white) return solved;
  const shownAt = (x) => CURVES[curve].value((x - black) / (top - black), solved.parameter);
  const step = 1e-5 * (light - black), at = shownAt(light);
  const slope = (shownAt(light + step) - shownAt(light - step)) / (2 * step);
  return {...solved, white, m: -black / (white - black), ratio: (white - black) / reach,
    shoulder: (light - black) / (white - black), shoulderLevel: at, steep: Math.max(slope * (white - light) / (1 - at), 1e-3)};
}

// The level at which the curve alone is 1, so that the target lands at its own; least where noise allows no less.
function solveReach(ask, black, white, light, level) {
  const low = Math.max(black - 1.0005 * black / ask.wanted, light * (1 + 1e-9));
  if (low >= white) return white;
  const miss = (logarithm) => {
    const reach = Math.exp(logarithm), {parameter} = solveBetween({...ask, asked: true}, black, reach);
    return CURVES[ask.curve].value((light - black) / (reach - black), parameter) - level;
  };
  if (miss(Math.log(white)) >= 0) return white;
  if (miss(Math.log(low)) <= 0) return low;
  return Math.exp(rootOf(miss, Math.log(low), Math.log(white)));
}

// `asked` wants the parameter for the level asked for, whatever the noise.
function solveBetween({curve, wanted, visible, asked}, black, white) {
  const entry = CURVES[curve];
  const reach = white - black;
  const m = -black / reach;
  const parameterFor = (level) => {
    if (!entry.parameter) return NaN;
    if (entry.solution) return entry.solution(m, level);
    const miss = (logarithm) => entry.value(m, Math.exp(logarithm)) - level;
    const [low, high] = entry.bracket.map(Math.log);
    if (miss(low) * miss(high) > 0) throw new RangeError(`the curve ${curve} cannot show the sky at ${level}`);
    return Math.exp(rootOf(miss, low, high));
  };
  const slopeFor = (parameter) => {
    const h = 1e-5 * Math.min(m, 1 - m);
    return (entry.value(m + h, parameter) - entry.value(m - h, parameter)) / (2 * h * reach);
  };
  const noiseFor = (level) => slopeFor(parameterFor(level)) * visible;
  const quietLevel = () => {
    if (noiseFor(wanted) <= MOST_SKY_NOISE) return wanted;
    const lowest = entry.solution ? 1e-6 * wanted : m * 1.001;
    if (lowest >= wanted || noiseFor(lowest) >= MOST_SKY_NOISE) return Math.min(lowest, wanted);
    return rootOf((level) => noiseFor(level) - MOST_SKY_NOISE, lowest, wanted);
  };
  const level = entry.parameter ? (asked ? wanted : quietLevel()) : m;
  const parameter = entry.parameter ? parameterFor(level) : NaN;
  return {curve, parameter, black, white, level, m, reach, ratio: 1, shoulder: 1, noise: slopeFor(parameter) * visible,
    lowered: entry.parameter !== "" && level < wanted};
}

const valueOf = ({curve, parameter, ratio, shoulder, shoulderLevel, steep}) => (x) => {
  if (x <= shoulder) return CURVES[curve].value(x * ratio, parameter);
  const u = (x - shoulder) / (1 - shoulder);
  return shoulderLevel + (1 - shoulderLevel) * steep * u / (1 + (steep - 1) * u);
};

function gainTable(solved) {
  const value = valueOf(solved);
  return tabulate((x) => decodeNear(Math.min(value(x), 1)) / x, 0.1 * solved.m);
}

// Every plane of a pixel by one gain, from the mean of the three. Takes light of the layers and leaves light in [0, 1].
// The few colours past the knee go through the program's own loop.
function stretchColour([red, green, blue], count, {black, white, m}, {first, values}) {
  const scale = 1 / (white - black), least = 0.1 * m;
  stretch_colour({red, green, blue, past: LEFT_OVER, gains: values, black, scale, least, first, count});
  const places = marked(count);
  if (places.length === 0) return;
  const planes = [red, green, blue].map((plane) => new Float32Array(places).map((i) => (plane[i] - black) * scale));
  const value = planes[0].map((r, j) => (r + planes[1][j] + planes[2][j]) / 3);
  const light = value.map((mean) => mean * values[bitsOf(Math.min(Math.max(mean, least), 1)) - first]);
  brighten({planes, value, inside: value, light});
  places.forEach((i, j) => { red[i] = planes[0][j]; green[i] = planes[1][j]; blue[i] = planes[2][j]; });
}

const SMALLEST = 2 ** -24;
const keyOf = (solved) => JSON.stringify(solved);
const valueTable = (solved, least = SMALLEST) => tabulate(valueOf(solved), least);

function stretchPlane(plane, count, solved, table) {
  const {first, values} = table;
  const scale = 1 / (solved.white - solved.black);
  for (let i = 0; i < count; i += 1) {
    const x = (plane[i] - solved.black) * scale;
    if (x !== x) { plane[i] = NaN; continue; }
    floatView[0] = x < SMALLEST ? SMALLEST : x > 1 ? 1 : x;
    const y = values[(bitView[0] >>> PART_BITS) - first];
    plane[i] = x <= SMALLEST ? Math.max(valueOf(solved)(Math.max(x, 0)), 0) : Math.min(y, 1);
  }
}

// A line for display blends: odd in x, its sky at 0; a formula's neutral value is added where it is used. Fills `out`.
function stretchLine(light, solved, out) {
  const least = Math.max(0.1 * solved.m, SMALLEST), {first, values} = valueTable(solved, least);
  const scale = 1 / (solved.white - solved.black), value = valueOf(solved);
  const sky = values[bitsOf(solved.m) - first];
  for (let i = 0; i < light.length; i += 1) {
    const here = light[i];
    if (here === 0) continue;
    const x = (here - solved.black) * scale;
    const size = Math.min(Math.abs(x), 1);
    floatView[0] = size;
    const y = size >= least ? values[(bitView[0] >>> PART_BITS) - first] : value(size);
    out[i] = (x < 0 ? -y : y) - sky;
  }
  return out;
}

// --- luminance, and putting a new one back ------------------------------------------------------------------

const luminanceOf = (red, green, blue) => WEIGHT_RED * red + WEIGHT_GREEN * green + WEIGHT_BLUE * blue;

// ITU-R BT.709 and CIE D65, and Ottosson's OKLab (2020); the numbers are the program's own, set beside the layers.
// Fills `out`: nothing is allocated for a pixel.
function mixer([[a, b, c], [d, e, f], [g, h, i]]) {
  return (x, y, z, out) => {
    out[0] = a * x + b * y + c * z;
    out[1] = d * x + e * y + f * z;
    out[2] = g * x + h * y + i * z;
  };
}

function replacers(spaces) {
  const toXyz = mixer(spaces.RGB_TO_XYZ), fromXyz = mixer(spaces.XYZ_TO_RGB);
  const toLms = mixer(spaces.RGB_TO_LMS), fromLms = mixer(spaces.LMS_TO_RGB);
  const toOklab = mixer(spaces.LMS_TO_OKLAB), fromOklab = mixer(spaces.OKLAB_TO_LMS);
  const [whiteX, , whiteZ] = spaces.WHITE_D65;
  const forward = (t) => (t > 216 / 24389 ? Math.cbrt(t) : (24389 / 27 * t + 16) / 116);
  const back = (f) => (f > 6 / 29 ? f * f * f : (116 * f - 16) * (27 / 24389));
  const [cone1, cone2, cone3] = [0, 1, 2].map((k) => WEIGHT_RED * spaces.LMS_TO_RGB[0][k]
    + WEIGHT_GREEN * spaces.LMS_TO_RGB[1][k] + WEIGHT_BLUE * spaces.LMS_TO_RGB[2][k]);
  const [[, a1, b1], [, a2, b2], [, a3, b3]] = spaces.OKLAB_TO_LMS;
  const cielab = (red, green, blue, old, wanted, out) => {
    toXyz(red, green, blue, out);
    const fx = forward(out[0] / whiteX), fy = forward(out[1]), fz = forward(out[2] / whiteZ);
    // As in the program, the ratio is taken to Y itself, whose white is 1.
    const f = forward(out[1] * (wanted / old));
    fromXyz(back(f + fx - fy) * whiteX, back(f), back(f - fy + fz) * whiteZ, out);
  };
  const oklab = (red, green, blue, old, wanted, out) => {
    toLms(red, green, blue, out);
    toOklab(Math.cbrt(out[0]), Math.cbrt(out[1]), Math.cbrt(out[2]), out);
    const a = out[1], b = out[2];
    const off1 = a1 * a + b1 * b, off2 = a2 * a + b2 * b, off3 = a3 * a + b3 * b;
    let lightness = out[0] * Math.cbrt(wanted / old);
    for (let turn = 0; turn < 4; turn += 1) {
      const p = lightness + off1, q = lightness + off2, r = lightness + off3;
      const excess = cone1 * p * p * p + cone2 * q * q * q + cone3 * r * r * r - wanted;
      const slope = 3 * (cone1 * p * p + cone2 * q * q + cone3 * r * r);
      lightness -= slope > 1e-12 ? excess / slope : 0;
    }
    fromOklab(lightness, a, b, out);
    fromLms(out[0] * out[0] * out[0], out[1] * out[1] * out[1], out[2] * out[2] * out[2], out);
  };
  return {cielab, oklab};
}

const pixel = new Float64Array(3);

// Leaves the pixel's light with luminance `wanted` in `pixel`; near the sky, where colour is noise, by a shift.
function relight(red, green, blue, wanted, floor, method) {
  const old = luminanceOf(red, green, blue);
  const part = Math.min(Math.max(old / floor - 1, 0), 1);
  const weight = wanted > 0 ? part : wanted !== wanted ? NaN : 0;
  const shift = wanted - old;
  if (weight === 0) {
    pixel[0] = red + shift; pixel[1] = green + shift; pixel[2] = blue + shift;
    return;
  }
  if (method === null) {
    const ratio = weight * (wanted / old);
    const rest = 1 - weight;
    pixel[0] = red * ratio + rest * (red + shift);
    pixel[1] = green * ratio + rest * (green + shift);
    pixel[2] = blue * ratio + rest * (blue + shift);
    return;
  }
  method(red, green, blue, old, wanted, pixel);
  pixel[0] = weight * pixel[0] + (1 - weight) * (red + shift);
  pixel[1] = weight * pixel[1] + (1 - weight) * (green + shift);
  pixel[2] = weight * pixel[2] + (1 - weight) * (blue + shift);
}

function relightLinear(planes, wanted, count, floor, method) {
  const [red, green, blue] = planes;
  for (let i = 0; i < count; i += 1) {
    relight(red[i], green[i], blue[i], wanted[i], floor, method);
    red[i] = pixel[0]; green[i] = pixel[1]; blue[i] = pixel[2];
  }
}

// `before` and `wanted` are code values of the luminance; planes are light in [0, 1].
function relightDisplay(planes, wanted, before, count, floor, method) {
  const [red, green, blue] = planes;
  if (method === null) {
    relight_ratio({red, green, blue, wanted, before, past: LEFT_OVER, decode, decode_step, reach: 1 / floor, same_code: SAME_CODE, count});
    for (const i of marked(count)) relightOne(red, green, blue, wanted, before, i, floor, null);
  } else {
    for (let i = 0; i < count; i += 1) relightOne(red, green, blue, wanted, before, i, floor, method);
  }
}

function relightOne(red, green, blue, wanted, before, i, floor, method) {
  const target = clip01(wanted[i]);
  if (Math.abs(target - before[i]) <= SAME_CODE) return;
  relight(red[i], green[i], blue[i], decodeNear(target), floor, method);
  keepInGamut(red, green, blue, i, pixel[0], pixel[1], pixel[2]);
}

// Colour gives way where a pixel would leave [0, 1]; its luminance stays.
function keepInGamut(red, green, blue, i, x, y, z) {
  if (x < -2e-6 || y < -2e-6 || z < -2e-6 || x > 1 + 2e-6 || y > 1 + 2e-6 || z > 1 + 2e-6) {
    const grey = luminanceOf(x, y, z), level = Math.min(Math.max(grey, 0), 1);
    const up = Math.max(x - grey, y - grey, z - grey, 1e-12), down = Math.max(grey - x, grey - y, grey - z, 1e-12);
    const share = Math.min((1 - level) / up, level / down, 1);
    x = level + share * (x - grey); y = level + share * (y - grey); z = level + share * (z - grey);
  }
  red[i] = clip01(x); green[i] = clip01(y); blue[i] = clip01(z);
}

function addShare(other, factor, after, before, count) {
  for (let i = 0; i < count; i += 1) other[i] += factor * (after[i] - before[i]);
}

// Loops over a run. Each stands by itself, with the usual case inside it: a browser's compiler then makes it fast.

function luminanceRun([red, green, blue], count, out) {
  for (let i = 0; i < count; i += 1) out[i] = WEIGHT_RED * red[i] + WEIGHT_GREEN * green[i] + WEIGHT_BLUE * blue[i];
}

// Light outside [0, 1] is clipped; what is missing stays missing.
const encodeRun = (light, count, out) => encode_plane({light, out, encode, encode_step, count});
const decodeRun = (codes, count, out) => decode_plane({codes, out, decode, decode_step, count});

// --- one picture --------------------------------------------------------------------------------------------

// Light from 16-bit codes; 0 is a missing pixel.
function expandCodes(high, low, knee, facts) {
  const table = new Float32Array(65536);
  for (let code = 1; code < 65536; code += 1) table[code] = knee * Math.sinh((code - facts.middle) / facts.codes_per_e);
  table[0] = NaN;
  const light = new Float32Array(high.length);
  for (let i = 0; i < light.length; i += 1) light[i] = table[(high[i] << 8) | low[i]];
  return light;
}

// Pixels of stars in order, how far each is protected, and where each block's begin; null where none are protected.
function starPlaces(mask, strength) {
  if (!mask || !(strength > 0)) return null;
  const places = new Int32Array(mask.reduce((sum, code) => sum + (code > 0 ? 1 : 0), 0));
  for (let i = 0, j = 0; i < mask.length; i += 1) if (mask[i] > 0) places[j++] = i;
  const share = new Float32Array(places).map((_, j) => strength * mask[places[j]] / 255);
  const first = new Int32Array(Math.ceil(mask.length / BLOCK) + 1);
  for (const i of places) first[Math.floor(i / BLOCK) + 1] += 1;
  for (let block = 1; block < first.length; block += 1) first[block] += first[block - 1];
  return {places, share, first};
}

// settings: {sky_level, white, white_level, blends: [{into, from, formula, amount, method, params, share}]}
function makeEngine(facts, layers, mask) {
  const size = facts.rows * facts.columns;
  const methods = {ratio: null, ...replacers(facts.spaces)};
  const colour = COLOUR.map((name) => layers[name]);
  const buffers = COLOUR.map(() => new Float32Array(BLOCK));
  const [ownBefore, wanted, shifted] = COLOUR.map(() => new Float32Array(BLOCK));
  const stars = starPlaces(mask, facts.protect);
  const behind = COLOUR.map((name) => layers[`behind ${name}`]);
  const near = COLOUR.map(() => new Float32Array(BLOCK));
  const [nearBefore, nearWanted, nearLine] = COLOUR.map(() => new Float32Array(BLOCK));
  const solvedFor = {}, tableFor = {}, stretched = new Map(), middle = new Map(), drawn = new WeakMap();

  function solve(name, settings, sigma) {
    const colour = name === "rgb", own = colour ? facts.stretch : facts.lines[name];
    const level = own.own_level ? own.sky_level : settings.sky_level;
    const aimed = colour && settings.white === "target" && facts.target ? [facts.target.light, settings.white_level] : null;
    const asked = {...own, sky_level: level, sigma, target: aimed, white: facts.white, shown: null};
    if (colour) {
      // As the finish leaves it.
      const place = settings.noise_sigma / facts.most_sigma * (facts.kept_noise.length - 1), k = Math.min(Math.floor(place), facts.kept_noise.length - 2);
      const kept = facts.kept_noise[k] + (place - k) * (facts.kept_noise[k + 1] - facts.kept_noise[k]);
      asked.shown = aimed ? kept * facts.target.noise : facts.mean_noise && kept * facts.mean_noise;
      if (typeof settings.white === "number") asked.white = settings.white;
    }
    const key = JSON.stringify(asked);
    if (!(solvedFor[name]?.key === key)) solvedFor[name] = {key, value: solveStretch(asked)};
    return solvedFor[name].value;
  }

  // Masters that are stretched already have a sky and its noise, and no curve.
  const asGiven = ({level, noise}) => ({curve: "no", parameter: 0, black: 0, white: 1, m: 0, ratio: 1, shoulder: 1, level, noise, lowered: false});
  const solveColour = (settings) => (facts.display ? asGiven(facts.display)
    : solve("rgb", settings, facts.sigma));

  function colourTable(solved) {
    if (tableFor.solved === solved) return tableFor.value;
    tableFor.solved = solved;
    const key = keyOf(solved);
    if (tableFor.key !== key) {
      tableFor.key = key;
      tableFor.value = facts.colour === "preserve" ? gainTable(solved) : valueTable(solved);
    }
    return tableFor.value;
  }

  function solveLine(from, settings) {
    const name = from.split(".")[0], given = facts.lines[name].display;
    return given ? asGiven(given) : solve(name, settings, facts.layers[from].sigma);
  }

  function lineLayer(blend, settings) {
    const given = facts.lines[blend.from.split(".")[0]].display;
    const solved = solveLine(blend.from, settings);
    const key = keyOf(solved);
    const kept = stretched.get(blend.from);
    if (kept?.key === key) return {plane: kept.plane, solved};
    const light = layers[blend.from];
    const plane = given ? light.map((value) => value - given.level)
      : stretchLine(light, solved, kept?.plane ?? new Float32Array(size));
    stretched.set(blend.from, {key, plane});
    return {plane, solved};
  }

  function readyLinear(blend) {
    const formula = FORMULAS[blend.formula], sigma = facts.noise[blend.into];
    const names = {amount: blend.amount, sky: 0, base_sigma: sigma, line_sigma: facts.layers[blend.from].sigma};
    const shares = COLOUR.map((name) => (name === blend.into ? 0 : blend.share?.[name] ?? 0));
    return {blend, formula, names, sigma, shares, plane: layers[blend.from]};
  }

  function readyDisplay(blend, settings, sky) {
    const formula = FORMULAS[blend.formula];
    const {plane, solved} = lineLayer(blend, settings);
    const neutral = formula.neutral(sky.level, blend.params);
    const names = {amount: blend.amount, sky: sky.level, base_sigma: sky.noise, line_sigma: solved.noise};
    return {blend, formula, plane, neutral, names, floor: decodeExactly(0.5 * sky.level)};
  }

  // A plane or the luminance before and after a blend, in light for linear formulas, in code values for display ones.
  function change({blend, formula, names}, planes, line, base, made, count) {
    if (formula.domain === "display") codesOf(blend.into, planes, count, base);
    else if (blend.into === "luminance") luminanceRun(planes, count, base);
    else base.set(planes[COLOUR.indexOf(blend.into)].subarray(0, count));
    formula.blend(made, base, line, count, names, blend.params);
  }

  function codesOf(into, planes, count, out) {
    const [red, green, blue] = planes;
    if (into === "luminance") luminance_codes({red, green, blue, out, encode, encode_step, count});
    else encodeRun(planes[COLOUR.indexOf(into)], count, out);
  }

  function put({blend, formula, sigma, shares, floor}, planes, base, made, count) {
    const display = formula.domain === "display";
    if (blend.into === "luminance") {
      if (display) relightDisplay(planes, made, base, count, floor, methods[blend.method]);
      else relightLinear(planes, made, count, 3 * sigma, methods[blend.method]);
      return;
    }
    const plane = planes[COLOUR.indexOf(blend.into)];
    if (display) {
      decodeRun(made, count, plane);
      return;
    }
    plane.set(made.subarray(0, count));
    shares.forEach((factor, k) => { if (factor > 0) addShare(planes[k], factor, plane, base, count); });
  }

  function lineRun({plane, neutral, formula}, start, count) {
    if (formula.domain === "linear") return plane.subarray(start, start + count);
    for (let i = 0; i < count; i += 1) {
      const value = plane[start + i] + neutral;
      shifted[i] = value > 1 ? 1 : value;
    }
    return shifted;
  }

  function lineNear({plane, neutral, formula}, {from, to}) {
    const linear = formula.domain === "linear";
    for (let j = from; j < to; j += 1) {
      const here = plane[stars.places[j]];
      nearLine[j - from] = linear ? here : Math.min(here + neutral, 1);
    }
    return nearLine;
  }

  // A star gains no more than what lies behind it, and loses no more.
  function limit(start, {from, to}, before) {
    const {places, share} = stars;
    for (let j = from; j < to; j += 1) {
      const i = places[j] - start, own = wanted[i] - before[i], most = nearWanted[j - from] - nearBefore[j - from];
      const least = most < 0 ? most : 0, top = most > 0 ? most : 0;
      const kept = own < least ? least : own > top ? top : own;
      wanted[i] += share[j] * (kept - own);
    }
  }

  // `around`: {from, to, planes}, what lies behind the stars of this run with the same blends in it, or null.
  function blendRun(ready, planes, start, count, around) {
    const {formula} = ready, line = lineRun(ready, start, count), before = ownBefore;
    change(ready, planes, line, before, wanted, count);
    if (around) {
      const few = around.to - around.from;
      change(ready, around.planes, lineNear(ready, around), nearBefore, nearWanted, few);
      if (formula.limited) limit(start, around, before);
      put(ready, around.planes, nearBefore, nearWanted, few);
    }
    put(ready, planes, before, wanted, count);
  }

  // The stars of a block; null where it has none.
  function aroundOf(planes, start) {
    const [from, to] = stars.first.subarray(start / BLOCK);
    return from === to ? null : {from, to, planes: planes.map((plane) => plane.subarray(from, to))};
  }

  // Light of a run of pixels, stretched, with linear blends in it; and of what lies behind its stars.
  function stretchRun(planes, linear, solved, start, count, around = null) {
    planes.forEach((plane, k) => plane.set(colour[k].subarray(start, start + count)));
    around?.planes.forEach((plane, k) => plane.set(behind[k].subarray(around.from, around.to)));
    for (const ready of facts.display ? [] : linear) blendRun(ready, planes, start, count, around);
    develop(planes, solved, count);
    if (around) develop(around.planes, solved, around.to - around.from);
  }

  function develop(planes, solved, count) {
    if (facts.display) {
      for (const plane of planes) decodeRun(plane, count, plane);
    } else if (facts.colour === "preserve") {
      stretchColour(planes, count, solved, colourTable(solved));
    } else {
      for (const plane of planes) {
        stretchPlane(plane, count, solved, colourTable(solved));
        decodeRun(plane, count, plane);
      }
    }
  }

  // Stretched light with linear blends in it is kept, so that display blends alone cost their own time.
  function keptLight(slot, key, limited) {
    const kept = middle.get(slot) ?? {planes: COLOUR.map(() => new Float32Array(size))};
    if (limited) kept.behind ??= COLOUR.map(() => new Float32Array(stars.places.length));
    const ready = kept.key === key;
    kept.key = key;
    middle.set(slot, kept);
    return {...kept, ready};
  }

  // Fills `codes`, three planes of code values before the finish, and returns what was solved. Pictures that are looked at
  // by turns get a slot and codes each, so that neither loses what the other kept.
  function render(settings, codes, slot = "with") {
    const active = settings.blends.filter((blend) => blend.amount !== 0);
    const solved = solveColour(settings);
    const asked = JSON.stringify([solved, active, settings.sky_level]);
    if (drawn.get(codes) === asked) return solved;
    const linear = active.filter((blend) => FORMULAS[blend.formula].domain === "linear").map(readyLinear);
    const display = active.filter((blend) => FORMULAS[blend.formula].domain === "display")
      .map((blend) => readyDisplay(blend, settings, solved));
    const limited = stars !== null && active.some((blend) => FORMULAS[blend.formula].limited);
    const kept = keptLight(slot, JSON.stringify([solved, limited, linear.map(({blend}) => blend)]), limited);
    for (let start = 0; start < size; start += BLOCK) {
      const count = Math.min(BLOCK, size - start);
      const here = kept.planes.map((plane) => plane.subarray(start, start + count));
      const around = limited ? aroundOf(kept.behind, start) : null;
      if (!kept.ready) stretchRun(here, linear, solved, start, count, around);
      here.forEach((plane, k) => buffers[k].set(plane));
      around?.planes.forEach((plane, k) => near[k].set(plane));
      for (const ready of display) blendRun(ready, buffers, start, count, around && {...around, planes: near});
      buffers.forEach((plane, k) => encodeRun(plane, count, codes[k].subarray(start, start + count)));
    }
    drawn.set(codes, asked);
    return solved;
  }

  // One line by itself, stretched to the sky level, grey.
  function renderLine(name, settings, bytes) {
    const from = layers[`${name}.emission`] ? `${name}.emission` : name;
    const {plane, solved} = lineLayer({from}, settings);
    for (let i = 0, k = 0; i < size; i += 1, k += 4) {
      bytes[k] = bytes[k + 1] = bytes[k + 2] = (Math.max(plane[i] + solved.level, 0) * 255 + 0.5) | 0;
      bytes[k + 3] = 255;
    }
    return solved;
  }

  return {size, render, renderLine, solveColour, solveLine, colourTable};
}
