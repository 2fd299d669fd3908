// The arithmetic of the page: the steps after balance and before finish, as the program does them.
// It needs CURVES, FORMULAS, LUMINANCE_WEIGHTS, KNEE and loops of the program's own, which are printed before it, and
// touches no document.

const COLOUR = ["red", "green", "blue"];
const CHUNK = 256;
const BLOCK = 32 * CHUNK;
const SAME_CODE = 6e-8;
const MOST_SKY_NOISE = 0.025;
const MOST_TARGET_NOISE = 0.02;
const [WEIGHT_RED, WEIGHT_GREEN, WEIGHT_BLUE] = LUMINANCE_WEIGHTS;

// --- sRGB, IEC 61966-2-1, by tables of 2^16 steps: within 1e-4 of a code value -----------------------------

const encodeExactly = (light) => (light <= 0.0031308 ? 12.92 * light : 1.055 * Math.pow(light, 1 / 2.4) - 0.055);
const decodeExactly = (code) => (code <= 0.04045 ? code / 12.92 : Math.pow((code + 0.055) / 1.055, 2.4));
const STEPS = 65536;
const ENCODED = Float32Array.from({length: STEPS + 1}, (_, i) => encodeExactly(i / STEPS));
const DECODED = Float32Array.from({length: STEPS + 1}, (_, i) => decodeExactly(i / STEPS));

// Outside [0, 1] a curve goes on as an odd function.
const encodeAny = (light) => (light >= 0 && light <= 1 ? ENCODED[(light * STEPS + 0.5) | 0]
  : light < 0 ? -encodeExactly(-light) : encodeExactly(light));
const decodeAny = (code) => (code >= 0 && code <= 1 ? DECODED[(code * STEPS + 0.5) | 0]
  : code < 0 ? -decodeExactly(-code) : decodeExactly(code));

const clip01 = (value) => (value < 0 ? 0 : value > 1 ? 1 : value);

// --- a function of light by table: one entry for each of 1024 parts of a factor 2 --------------------------

const PART_BITS = 13;
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
  return tabulate((x) => decodeAny(Math.min(value(x), 1)) / x, 0.1 * solved.m);
}

// Every plane of a pixel by one gain, from the mean of the three. Takes light of the layers and leaves light in [0, 1].
// What any gain leaves in gamut is done here; the few colours past the knee go through the program's own loop.
function stretchColour([red, green, blue], count, {black, white, m}, {first, values}) {
  const scale = 1 / (white - black), least = 0.1 * m, [faintest, brightest] = [values[0], values[values.length - 1]];
  const past = [];
  for (let i = 0; i < count; i += 1) {
    const r = (red[i] - black) * scale, g = (green[i] - black) * scale, b = (blue[i] - black) * scale;
    const mean = (r + g + b) / 3;
    floatView[0] = mean;
    const gain = mean < least ? faintest : mean < 1 ? values[(bitView[0] >>> PART_BITS) - first] : brightest;
    const x = r * gain, y = g * gain, z = b * gain;
    const grey = mean * gain, edge = grey + KNEE * (1 - grey);
    if (x >= 0 && y >= 0 && z >= 0 && x <= edge && y <= edge && z <= edge) {
      red[i] = x; green[i] = y; blue[i] = z;
    } else if (mean !== mean) {
      red[i] = green[i] = blue[i] = NaN;
    } else {
      past.push([i, r, g, b, mean, gain]);
    }
  }
  if (past.length === 0) return;
  const column = (k) => Float32Array.from(past, (entry) => entry[k]);
  const planes = [column(1), column(2), column(3)];
  brighten({planes, value: column(4), inside: new Float32Array(past.length).fill(1), light: column(5)});
  past.forEach(([i], j) => { red[i] = planes[0][j]; green[i] = planes[1][j]; blue[i] = planes[2][j]; });
}

const SMALLEST = 2 ** -24;
const keyOf = (solved) => JSON.stringify(solved);
const valueTable = (solved) => tabulate(valueOf(solved), SMALLEST);

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

// A line for display blends: odd in x, its sky at 0; a formula's neutral value is added where it is used. Fills `out`,
// which holds 0, but for chunks whose light is 0 everywhere.
function stretchLine(light, solved, marks, out) {
  const {first, values} = valueTable(solved);
  const scale = 1 / (solved.white - solved.black);
  const value = valueOf(solved);
  const sky = values[bitsOf(solved.m) - first];
  for (let i = 0; i < light.length; i += 1) {
    if (!marks[(i / CHUNK) | 0]) { i += CHUNK - 1; continue; }
    const here = light[i];
    if (here === 0) continue;
    const x = (here - solved.black) * scale;
    const size = Math.min(Math.abs(x), 1);
    floatView[0] = size;
    const y = size >= SMALLEST ? values[(bitView[0] >>> PART_BITS) - first] : value(size);
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
    relightPlainly(red, green, blue, wanted, before, count, floor);
  } else {
    for (let i = 0; i < count; i += 1) relightOne(red, green, blue, wanted, before, i, floor, method);
  }
}

// What most pixels are: in range, coloured, and not dark. Two comparisons where Math.abs stands would cost half as much
// again as all the rest.
function relightPlainly(red, green, blue, wanted, before, count, floor) {
  const reach = 1 / floor;
  for (let i = 0; i < count; i += 1) {
    const code = wanted[i];
    if (Math.abs(code - before[i]) <= SAME_CODE) continue;
    const r = red[i], g = green[i], b = blue[i], old = WEIGHT_RED * r + WEIGHT_GREEN * g + WEIGHT_BLUE * b;
    const part = old * reach - 1;
    if (code > 0 && code <= 1 && part > 0) {
      const light = DECODED[(code * STEPS + 0.5) | 0], whole = light / old;
      let x = r * whole, y = g * whole, z = b * whole;
      if (part < 1) {
        const ratio = part * whole + 1 - part, shift = (1 - part) * (light - old);
        x = r * ratio + shift; y = g * ratio + shift; z = b * ratio + shift;
      }
      if (x >= 0 && y >= 0 && z >= 0 && x <= 1 && y <= 1 && z <= 1) {
        red[i] = x; green[i] = y; blue[i] = z;
        continue;
      }
    }
    relightOne(red, green, blue, wanted, before, i, floor, null);
  }
}

function relightOne(red, green, blue, wanted, before, i, floor, method) {
  const target = clip01(wanted[i]);
  if (Math.abs(target - before[i]) <= SAME_CODE) return;
  relight(red[i], green[i], blue[i], decodeAny(target), floor, method);
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

function luminanceCodes([red, green, blue], count, out) {
  for (let i = 0; i < count; i += 1) {
    const light = WEIGHT_RED * red[i] + WEIGHT_GREEN * green[i] + WEIGHT_BLUE * blue[i];
    out[i] = light >= 0 && light <= 1 ? ENCODED[(light * STEPS + 0.5) | 0] : encodeAny(light);
  }
}

function encodeRun(plane, count, out) {
  for (let i = 0; i < count; i += 1) {
    const light = plane[i];
    out[i] = light >= 0 && light <= 1 ? ENCODED[(light * STEPS + 0.5) | 0] : encodeAny(light);
  }
}

// Code values are clipped to [0, 1] first; what is missing stays missing.
function decodeRun(codes, count, out) {
  for (let i = 0; i < count; i += 1) {
    const code = codes[i];
    out[i] = code >= 0 ? DECODED[code < 1 ? (code * STEPS + 0.5) | 0 : STEPS] : code < 0 ? 0 : NaN;
  }
}

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

// Whether a formula leaves every base as it is where the line has nothing to show.
function leavesAlone(formula, blend, nothing, names) {
  const base = Float32Array.from({length: 1201}, (_, i) => i / 1000 - 0.1);
  const out = new Float32Array(base.length);
  const used = formula.domain === "display" ? base.map((value) => Math.min(Math.max(value, 0), 1)) : base;
  formula.blend(out, used, new Float32Array(base.length).fill(nothing), base.length, names, blend.params);
  return out.every((value, i) => Math.abs(value - used[i]) < 1e-7);
}

// Pixels of stars in order, how far each is protected, and where each chunk's begin; null where none are protected.
function starPlaces(mask, strength, chunks) {
  if (!mask || !(strength > 0)) return null;
  const places = new Int32Array(mask.reduce((sum, code) => sum + (code > 0 ? 1 : 0), 0));
  for (let i = 0, j = 0; i < mask.length; i += 1) if (mask[i] > 0) places[j++] = i;
  const share = Float32Array.from(places, (i) => strength * mask[i] / 255);
  const first = new Int32Array(chunks + 1);
  for (const i of places) first[((i / CHUNK) | 0) + 1] += 1;
  for (let chunk = 0; chunk < chunks; chunk += 1) first[chunk + 1] += first[chunk];
  return {places, share, first};
}

// settings: {sky_level, white, white_level, blends: [{into, from, formula, amount, method, params, share}]}
function makeEngine(facts, layers, mask) {
  const size = facts.rows * facts.columns;
  const chunks = Math.ceil(size / CHUNK);
  const methods = {ratio: null, ...replacers(facts.spaces)};
  const colour = COLOUR.map((name) => layers[name]);
  const buffers = COLOUR.map(() => new Float32Array(BLOCK));
  const [ownBefore, wanted, shifted] = COLOUR.map(() => new Float32Array(BLOCK));
  const stars = starPlaces(mask, facts.protect, chunks);
  const behind = COLOUR.map((name) => layers[`behind ${name}`]);
  const near = COLOUR.map(() => new Float32Array(BLOCK));
  const [nearBefore, nearWanted, nearLine] = COLOUR.map(() => new Float32Array(BLOCK));
  const shining = Object.fromEntries(Object.keys(layers).filter((name) => layers[name].length === size).map((name) => [name, whereNotNought(layers[name])]));
  const solvedFor = {}, tableFor = {}, stretched = new Map(), middle = new Map(), drawn = new WeakMap();

  function whereNotNought(light) {
    const flags = new Uint8Array(chunks);
    for (let i = 0; i < size; i += 1) if (light[i] !== 0) flags[(i / CHUNK) | 0] = 1;
    return flags;
  }

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
      : stretchLine(light, solved, shining[blend.from], kept?.plane ?? new Float32Array(size));
    stretched.set(blend.from, {key, plane});
    return {plane, solved};
  }

  function readyLinear(blend) {
    const formula = FORMULAS[blend.formula], sigma = facts.noise[blend.into];
    const names = {amount: blend.amount, sky: 0, base_sigma: sigma, line_sigma: facts.layers[blend.from].sigma};
    const shares = COLOUR.map((name) => (name === blend.into ? 0 : blend.share?.[name] ?? 0));
    return {blend, formula, names, sigma, shares, plane: layers[blend.from], alone: leavesAlone(formula, blend, 0, names)};
  }

  function readyDisplay(blend, settings, sky) {
    const formula = FORMULAS[blend.formula];
    const {plane, solved} = lineLayer(blend, settings);
    const neutral = formula.neutral(sky.level, blend.params);
    const names = {amount: blend.amount, sky: sky.level, base_sigma: sky.noise, line_sigma: solved.noise};
    const alone = leavesAlone(formula, blend, Math.fround(neutral), names);
    return {blend, formula, plane, neutral, names, floor: decodeExactly(0.5 * sky.level), alone};
  }

  // A plane or the luminance before and after a blend, in light for linear formulas, in code values for display ones.
  function change({blend, formula, names}, planes, line, base, made, count) {
    if (formula.domain === "display") codesOf(blend.into, planes, count, base);
    else if (blend.into === "luminance") luminanceRun(planes, count, base);
    else base.set(planes[COLOUR.indexOf(blend.into)].subarray(0, count));
    formula.blend(made, base, line, count, names, blend.params);
  }

  function codesOf(into, planes, count, out) {
    if (into === "luminance") luminanceCodes(planes, count, out);
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

  // Only where the line shines, if the formula leaves the rest alone.
  function blendRun(ready, planes, start, count, around) {
    if (!ready.alone) {
      blendAll(ready, planes, start, count, around);
      return;
    }
    const marks = shining[ready.blend.from], end = start + count;
    for (let from = start; from < end;) {
      let to = from;
      while (to < end && marks[(to / CHUNK) | 0]) to += CHUNK;
      if (to > end) to = end;
      if (to > from) {
        const part = from === start && to === end ? planes : planes.map((plane) => plane.subarray(from - start, to - start));
        blendAll(ready, part, from, to - from, around && aroundPart(around, from, to - from));
      }
      from = to + CHUNK;
    }
  }

  // `around`: {from, to, planes}, what lies behind the stars of this run with the same blends in it, or null.
  function blendAll(ready, planes, start, count, around) {
    const {blend, formula, names, codes} = ready, line = lineRun(ready, start, count);
    const before = codes ? codes.subarray(start, start + count) : ownBefore;
    if (codes) formula.blend(wanted, before, line, count, names, blend.params);
    else change(ready, planes, line, before, wanted, count);
    if (around) {
      const few = around.to - around.from;
      change(ready, around.planes, lineNear(ready, around), nearBefore, nearWanted, few);
      if (formula.limited) limit(start, around, before);
      put(ready, around.planes, nearBefore, nearWanted, few);
    }
    put(ready, planes, before, wanted, count);
  }

  function aroundOf(planes, start, count) {
    return aroundPart({from: 0, planes}, start, count);
  }

  // The stars of a part of a run; null where it has none.
  function aroundPart(around, start, count) {
    const from = stars.first[start / CHUNK], to = stars.first[Math.ceil((start + count) / CHUNK)];
    if (from === to) return null;
    return {from, to, planes: around.planes.map((plane) => plane.subarray(from - around.from, to - around.from))};
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

  // Calls `work` with runs of chunks that `flags` marks alike.
  function byRuns(flags, wantedFlag, work) {
    for (let chunk = 0; chunk < chunks;) {
      let end = chunk + 1;
      while (end < chunks && flags[end] === flags[chunk] && end - chunk < BLOCK / CHUNK) end += 1;
      if (flags[chunk] === wantedFlag) work(chunk * CHUNK, Math.min(end * CHUNK, size) - chunk * CHUNK);
      chunk = end;
    }
  }

  const store = (planes, start, count, codes) => {
    planes.forEach((plane, k) => encodeRun(plane, count, codes[k].subarray(start, start + count)));
  };

  // Which chunks any blend can change.
  function changed(blends) {
    const flags = new Uint8Array(chunks);
    for (const {blend, alone} of blends) {
      const marks = shining[blend.from];
      for (let chunk = 0; chunk < chunks; chunk += 1) flags[chunk] |= alone ? marks[chunk] : 1;
    }
    return flags;
  }

  // Stretched light with linear blends in it is kept, and the code values that the first display blend goes into, so
  // that display blends alone cost their own time.
  function keptLight(slot, key, limited, into) {
    const kept = middle.get(slot) ?? {planes: COLOUR.map(() => new Float32Array(size)), done: new Uint8Array(chunks)};
    if (limited) kept.behind ??= COLOUR.map(() => new Float32Array(stars.places.length));
    if (into) kept.codes ??= new Float32Array(size);
    if (kept.key !== key) kept.done.fill(0);
    kept.key = key;
    middle.set(slot, kept);
    return kept;
  }

  // Fills `codes`, three planes of code values before the finish, and returns what was solved. Pictures that are looked at
  // by turns get a slot and codes each, so that neither loses what the other kept.
  function render(settings, codes, slot = "with") {
    const active = settings.blends.filter((blend) => blend.amount !== 0);
    const solved = solveColour(settings);
    const linear = active.filter((blend) => FORMULAS[blend.formula].domain === "linear").map(readyLinear);
    const display = active.filter((blend) => FORMULAS[blend.formula].domain === "display")
      .map((blend) => readyDisplay(blend, settings, solved));
    const flags = changed([...linear, ...display]);
    const bare = keyOf(solved);
    const last = drawn.get(codes);
    const plain = flags.map((flag, chunk) => (flag || (last?.bare === bare && !last.flags[chunk]) ? 0 : 1));
    byRuns(plain, 1, (start, count) => {
      stretchRun(buffers, [], solved, start, count);
      store(buffers, start, count, codes);
    });
    const limited = stars !== null && active.some((blend) => FORMULAS[blend.formula].limited);
    const into = display[0]?.blend.into;
    const kept = keptLight(slot, JSON.stringify([bare, limited, into, linear.map(({blend}) => blend)]), limited, into);
    if (into) display[0].codes = kept.codes;
    byRuns(flags, 1, (start, count) => {
      const here = kept.planes.map((plane) => plane.subarray(start, start + count));
      const span = kept.done.subarray(start / CHUNK, Math.ceil((start + count) / CHUNK));
      const around = limited ? aroundOf(kept.behind, start, count) : null;
      if (span.includes(0)) {
        stretchRun(here, linear, solved, start, count, around);
        if (into) codesOf(into, here, count, kept.codes.subarray(start, start + count));
      }
      span.fill(1);
      here.forEach((plane, k) => buffers[k].set(plane));
      around?.planes.forEach((plane, k) => near[k].set(plane));
      const beside = around && {...around, planes: near};
      for (const ready of display) blendRun(ready, buffers, start, count, beside);
      store(buffers, start, count, codes);
    });
    drawn.set(codes, {bare, flags});
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
