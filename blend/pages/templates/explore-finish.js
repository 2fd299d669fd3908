// The finish: the program's own loops (`touch_rows`, `mean_rows`), and what they are handed.
// Blocks are 4 x 4 pixels of the whole picture; how much of the saturation each gets needs all of them at once.

const NO_TONE = [Float32Array.of(1), Float32Array.of(1)];
const grid = (rows, columns, value) => Array.from({length: rows}, () => new Float32Array(columns).fill(value));

// Cube root of the gain of light by the square root of luminance; `bend` is the recipe's curve, sampled, or null.
function toneTable(sky, contrast, bend) {
  if (contrast === 0 && !bend) return NO_TONE;
  const bent = (u) => {
    const place = u * (bend.length - 1), k = Math.min(Math.floor(place), bend.length - 2);
    return bend[k] + (place - k) * (bend[k + 1] - bend[k]);
  };
  const gains = encode.map((code, i) => {
    if (code <= sky) return 1;
    const u = Math.min((code - sky) / (1 - sky), 1), t = contrast === 0 ? u : addContrast(u, contrast);
    return Math.cbrt(decodeNear(sky + (1 - sky) * (bend ? bent(t) : t)) * (STEPS / i) ** 2);
  });
  return withSteps(gains);
}

function medianOf(values) {
  const sorted = Float64Array.from(values).sort(), half = sorted.length >> 1;
  return sorted.length % 2 ? sorted[half] : 0.5 * (sorted[half - 1] + sorted[half]);
}

// As the program's `difference_noise`: the median second difference both ways.
function differenceNoise(plane) {
  const found = [];
  for (let y = 1; y + 1 < plane.length; y += 1) {
    const [up, here, down] = [plane[y - 1], plane[y], plane[y + 1]];
    for (let x = 1; x + 1 < here.length; x += 1) {
      const value = up[x - 1] - 2 * up[x] + up[x + 1] - 2 * (here[x - 1] - 2 * here[x] + here[x + 1]) + down[x - 1] - 2 * down[x] + down[x + 1];
      if (value === value) found.push(Math.abs(value));
    }
  }
  return found.length ? 1.482602218505602 * medianOf(found) / 6 : 0;
}

// The share of a change of saturation that each block gets, from the means of all blocks and what they lose as noise.
function saturationShares(means, lost, {spaces, finish}) {
  const [high, wide] = [means[0].length, means[0][0].length];
  for (const plane of means) {
    if (!plane.some((row) => row.some((value) => value !== value))) continue;
    const usual = medianOf(plane.flatMap((row) => [...row]).filter((value) => value === value));
    for (const row of plane) row.forEach((value, i) => { if (value !== value) row[i] = usual; });
  }
  const toLms = mixer(spaces.RGB_TO_LMS), toOklab = mixer(spaces.LMS_TO_OKLAB), lab = [0, 0, 0];
  const [a, b] = [grid(high, wide, 0), grid(high, wide, 0)];
  for (let j = 0; j < high; j += 1) {
    for (let i = 0; i < wide; i += 1) {
      toLms(...means.map((plane) => decodeExactly(plane[j][i])), lab);
      toOklab(...lab.map(Math.cbrt), lab);
      a[j][i] = lab[1] - (lost ? lost.a[j][i] : 0);
      b[j][i] = lab[2] - (lost ? lost.b[j][i] : 0);
    }
  }
  const noise = Math.min(high, wide) >= finish.least_side ? Math.hypot(differenceNoise(a), differenceNoise(b)) : 0;
  const most = 9 * noise * noise;
  return a.map((row, j) => row.map((value, i) => {
    const chroma = value * value + b[j][i] * b[j][i];
    return chroma / Math.max(chroma + most, 1e-12) / (1 + chroma / finish.vivid ** 2);
  }));
}

const halved = (plane) => Array.from({length: Math.ceil(plane.length / 2)}, (_, j) => (
  Float32Array.from({length: Math.ceil(plane[0].length / 2)}, (_, i) => {
    const [up, down] = [plane[2 * j], plane[Math.min(2 * j + 1, plane.length - 1)]], next = Math.min(2 * i + 1, up.length - 1);
    return 0.25 * (up[2 * i] + up[next] + down[2 * i] + down[next]);
  })));

// Rows `top` to `top + rows` of a picture of `facts.whole_rows`; `lost` holds n, a and b of all blocks, or is null.
function makeFinisher(facts, lost) {
  const {rows, columns} = facts, top = facts.top ?? 0, whole = facts.whole_rows ?? rows;
  const out = COLOUR.map(() => new Float32Array(rows * columns));
  const [high, wide] = [Math.ceil(whole / 4), Math.ceil(columns / 4)];
  const nothing = facts.finish.neutral.map((value) => grid(high, wide, value));
  // The loops count rows of the whole picture; those of others stay empty, but for the first, which tells the width.
  const rowsOf = (plane) => {
    const list = Array.from({length: whole});
    for (let y = 0; y < rows; y += 1) list[top + y] = plane.subarray(y * columns, (y + 1) * columns);
    list[0] ??= list[top];
    return list;
  };
  const listed = new WeakMap();
  const allRows = (planes) => {
    if (!listed.has(planes)) listed.set(planes, planes.map(rowsOf));
    return listed.get(planes);
  };
  const active = ({contrast, saturation, green_limit: green, chroma_reduction: chroma, bend}) => (
    contrast !== 0 || saturation !== 1 || green > 0 || chroma > 0 || bend);

  // Means of red, green and blue over this part's blocks.
  function means(codes) {
    const made = Array.from({length: 4}, () => grid(high, wide, 0));
    mean_rows({codes: allRows(codes), out: made, start: top, stop: top + rows});
    return made.slice(0, 3).map((plane) => plane.slice(top / 4, Math.ceil((top + rows) / 4)));
  }

  function touched(codes, settings, sky, share) {
    if (!active(settings)) return codes;
    const shift = nothing.slice();
    if (lost) {
      if (settings.green_limit > 0) shift[0] = lost.n;
      if (settings.chroma_reduction > 0) [shift[1], shift[2]] = [lost.a, lost.b];
    }
    if (settings.saturation > 1 && share) shift[3] = share;
    const tone = toneTable(sky, settings.contrast, settings.bend), spaces = facts.spaces;
    touch_rows({codes: allRows(codes), out: allRows(out), shift, grain: [Float32Array.of(0)], tables: TRANSFER, tone,
      to_lms: spaces.RGB_TO_LMS, to_lab: spaces.LMS_TO_OKLAB, from_lab: spaces.OKLAB_TO_LMS, to_rgb: spaces.LMS_TO_RGB,
      factors: [settings.saturation - 1, settings.green_limit], rows: [top, top + rows]});
    return out;
  }

  // Fills `bytes` (red, green, blue, 255 a pixel) with the finished picture of `codes`.
  function finish(codes, settings, sky, share, bytes) {
    const [red, green, blue] = touched(codes, settings, sky, share);
    // Four bytes at once, the first lowest, as on every machine that browsers run on.
    const words = new Uint32Array(bytes.buffer, bytes.byteOffset, red.length);
    for (let i = 0; i < words.length; i += 1) {
      words[i] = ((255 * red[i] + 0.5) | 0) | (((255 * green[i] + 0.5) | 0) << 8) | (((255 * blue[i] + 0.5) | 0) << 16) | 0xff000000;
    }
  }
  return {means, finish, needsShares: (settings) => settings.saturation > 1};
}

// What blocks lose as noise under the recipe, as rows; null where nothing was measured.
function lostOf(facts, layers) {
  if (!layers["shift n"]) return null;
  const wide = Math.ceil(facts.columns / 4);
  const rowsOf = (plane) => Array.from({length: plane.length / wide}, (_, j) => plane.subarray(j * wide, (j + 1) * wide));
  return {n: rowsOf(layers["shift n"]), a: rowsOf(layers["shift a"]), b: rowsOf(layers["shift b"])};
}

// A whole picture in one thread.
function makePicture(facts, layers, mask) {
  const engine = makeEngine(facts, layers, mask), lost = lostOf(facts, layers), finisher = makeFinisher(facts, lost);
  const codes = COLOUR.map(() => new Float32Array(engine.size));
  return (settings, bytes) => {
    const solved = engine.render(settings, codes), look = settings.finish;
    const share = finisher.needsShares(look) ? saturationShares(finisher.means(codes), look.chroma_reduction > 0 ? lost : null, facts) : null;
    finisher.finish(codes, look, solved.level, share, bytes);
    return solved;
  };
}

// What the engine takes, from the values on screen by recipe key. A share goes with light added to red, so a display
// formula drops it.
function settingsOf(values, facts) {
  const blends = facts.blends.map((blend) => {
    const own = (key) => values[`blend.${blend.name}.${key}`];
    const share = own("into_other_planes"), display = FORMULAS[own("formula")].domain === "display";
    const factors = display || share === "none" ? {} : share === "hydrogen" ? blend.share : share;
    return {...blend, formula: own("formula"), amount: own("amount"), params: own("params"), share: factors};
  });
  const {chroma_reduction, green_limit, bend} = facts.finish;
  return {sky_level: values["stretch.sky_level"], white: values["stretch.white"], white_level: values["stretch.white_level"], blends,
    noise_sigma: values["finish.noise_sigma"],
    finish: {contrast: values["finish.contrast"], saturation: values["finish.saturation"], chroma_reduction, green_limit, bend}};
}
