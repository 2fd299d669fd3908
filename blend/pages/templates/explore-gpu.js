// The engine's arithmetic as one shader, for a browser with WebGL 2: one pass makes the whole picture. Linear light,
// tables and solved numbers are the engine's own; formulas are printed from the same equations.

const GONE = -1e30;
const TABLE_WIDTH = 1024;
const SCRATCH_UNIT = 15;
const SLOW_MS = 33, SLOW_TURNS = 4;
const COMMON = `
uniform sampler2D colour, behind, curve;
uniform float black, scale, least, curveAtNought;
uniform int first;
const float GONE = -1e29;
const vec3 WEIGHTS = vec3(${[WEIGHT_RED, WEIGHT_GREEN, WEIGHT_BLUE].join(", ")});
vec3 here, near;
bvec3 gone;
float share;

float encoded(float light) { return light <= 0.0031308 ? 12.92 * light : 1.055 * pow(light, 1.0 / 2.4) - 0.055; }
float decoded(float code) { return code <= 0.04045 ? code / 12.92 : pow((code + 0.055) / 1.055, 2.4); }
vec3 decoded(vec3 code) { return vec3(decoded(code.r), decoded(code.g), decoded(code.b)); }
float encodedAny(float light) { return light < 0.0 ? -encoded(-light) : encoded(light); }
float cubeRoot(float x) { return sign(x) * pow(abs(x), 1.0 / 3.0); }
float luminance(vec3 light) { return dot(WEIGHTS, light); }

float entry(sampler2D table, float x, int firstEntry) {
  int place = (floatBitsToInt(x) >> ${PART_BITS}) - firstEntry;
  return texelFetch(table, ivec2(place & ${TABLE_WIDTH - 1}, place / ${TABLE_WIDTH}), 0).r;
}

vec3 labOf(vec3 light) {
  vec3 lms = max(toLms * light, 0.0);
  return toOklab * vec3(cubeRoot(lms.x), cubeRoot(lms.y), cubeRoot(lms.z));
}

vec3 keptColour(vec3 light) {
  vec3 x = (light - black) * scale;
  float mean = (x.r + x.g + x.b) / 3.0;
  float gain = entry(curve, clamp(mean, least, 1.0), first);
  float top = gain * max(x.r, max(x.g, x.b));
  float down = 1.0 / max(mean * gain, 1.0);
  float bright = min(mean * gain, 1.0);
  if (top * down > 1.0) down *= bright + (1.0 - bright) / (top * down);
  float grey = mean * gain * down;
  x *= gain * down;
  float past = ((top * down - grey) / max(1.0 - grey, 1e-12) - ${KNEE}) / (1.0 - ${KNEE});
  if (past > 0.0) {
    float kept = ${KNEE} + (1.0 - ${KNEE}) * past / (1.0 + past);
    vec3 paled = grey + kept / (${KNEE} + (1.0 - ${KNEE}) * past) * (x - grey);
    vec3 old = labOf(x), lab = labOf(paled);
    lab.yz = sqrt(dot(lab.yz, lab.yz) / max(dot(old.yz, old.yz), 1e-12)) * old.yz;
    vec3 root = fromOklab * lab;
    x = fromLms * (root * root * root);
    float most = max(x.r, max(x.g, x.b)), pale = lab.x * lab.x * lab.x;
    if (most > ${EDGE} && pale < ${EDGE}) x = pale + (${EDGE} - pale) / (most - pale) * (x - pale);
  }
  return clamp(x, 0.0, 1.0);
}

float planeAlone(float light) {
  float x = (light - black) * scale;
  return decoded(x <= 0.0 ? curveAtNought : min(entry(curve, clamp(x, ${SMALLEST}, 1.0), first), 1.0));
}

float stretchedLine(float light, sampler2D table, vec4 how, float sky) {
  if (light == 0.0) return 0.0;
  float x = (light - how.x) * how.y;
  float y = entry(table, clamp(abs(x), ${SMALLEST}, 1.0), int(how.z));
  return (x < 0.0 ? -y : x == 0.0 ? how.w : y) - sky;
}

float forwardLab(float t) { return t > 216.0 / 24389.0 ? cubeRoot(t) : (24389.0 / 27.0 * t + 16.0) / 116.0; }
float backLab(float f) { return f > 6.0 / 29.0 ? f * f * f : (116.0 * f - 16.0) * (27.0 / 24389.0); }

vec3 byCielab(vec3 light, float old, float wanted) {
  vec3 xyz = toXyz * light;
  float fx = forwardLab(xyz.x / white.x), fy = forwardLab(xyz.y), fz = forwardLab(xyz.z / white.z);
  float f = forwardLab(xyz.y * (wanted / old));
  return fromXyz * vec3(backLab(f + fx - fy) * white.x, backLab(f), backLab(f - fy + fz) * white.z);
}

vec3 byOklab(vec3 light, float old, float wanted) {
  vec3 lms = toLms * light;
  vec3 lab = toOklab * vec3(cubeRoot(lms.x), cubeRoot(lms.y), cubeRoot(lms.z));
  vec3 off = fromOklab * vec3(0.0, lab.yz);
  vec3 cone = WEIGHTS * fromLms;
  float lightness = lab.x * cubeRoot(wanted / old);
  for (int turn = 0; turn < 4; turn += 1) {
    vec3 p = lightness + off;
    float slope = 3.0 * dot(cone, p * p);
    lightness -= slope > 1e-12 ? (dot(cone, p * p * p) - wanted) / slope : 0.0;
  }
  vec3 root = fromOklab * vec3(lightness, lab.yz);
  return fromLms * (root * root * root);
}

vec3 relit(vec3 light, float wanted, float floorLight, int method) {
  float old = luminance(light);
  float weight = wanted > 0.0 ? clamp(old / floorLight - 1.0, 0.0, 1.0) : 0.0;
  vec3 shifted = light + (wanted - old);
  if (weight == 0.0) return shifted;
  vec3 made = method == 0 ? light * (wanted / old)
    : method == 1 ? byCielab(light, old, wanted) : byOklab(light, old, wanted);
  return weight * made + (1.0 - weight) * shifted;
}

vec3 relitCodes(vec3 light, float code, float before, float floorLight, int method) {
  float target = clamp(code, 0.0, 1.0);
  if (abs(target - before) <= ${SAME_CODE}) return light;
  vec3 x = relit(light, decoded(target), floorLight, method);
  if (any(lessThan(x, vec3(-2e-6))) || any(greaterThan(x, vec3(1.0 + 2e-6)))) {
    float grey = luminance(x);
    float level = clamp(grey, 0.0, 1.0);
    vec3 off = x - grey;
    float up = max(max(off.r, off.g), max(off.b, 1e-12));
    float down = max(max(-off.r, -off.g), max(-off.b, 1e-12));
    x = level + min(min((1.0 - level) / up, level / down), 1.0) * off;
  }
  return clamp(x, 0.0, 1.0);
}

float limited(float made, float before, float most) {
  float own = made - before;
  return made + share * (clamp(own, min(most, 0.0), max(most, 0.0)) - own);
}
`;

const column = (matrix) => `mat3(${[0, 1, 2].flatMap((k) => matrix.map((row) => row[k])).map(exactly).join(", ")})`;
const exactly = (value) => (Number.isInteger(value) ? `${value}.0` : String(value));

function spaceSource(spaces) {
  const named = {toXyz: "RGB_TO_XYZ", fromXyz: "XYZ_TO_RGB", toLms: "RGB_TO_LMS", fromLms: "LMS_TO_RGB",
    toOklab: "LMS_TO_OKLAB", fromOklab: "OKLAB_TO_LMS"};
  const lines = Object.entries(named).map(([name, key]) => `const mat3 ${name} = ${column(spaces[key])};`);
  return `${lines.join("\n")}\nconst vec3 white = vec3(${spaces.WHITE_D65.map(exactly).join(", ")});`;
}

// The values of blend `k` come as an array: amount, sky, base_sigma, line_sigma, then the formula's own.
const OWN = 4;

function formulaSource(formula, k) {
  const own = Object.keys(formula.params).map((_, i) => `, v${k}[${OWN + i}]`).join("");
  return `uniform float v${k}[${OWN + Object.keys(formula.params).length}];
float formula${k}(float base, float line) { return ${formula.shaderName}(base, line, v${k}[0], v${k}[1], v${k}[2], v${k}[3]${own}); }`;
}

function blendSource({into, formula, method, limited}, k, {given, domain}) {
  const display = domain === "display", whole = into === "luminance", plane = COLOUR.indexOf(into);
  const how = {ratio: 0, cielab: 1, oklab: 2}[method];
  const read = (name) => (whole ? `luminance(${name})` : `${name}[${plane}]`);
  const taken = (name) => (display ? `encodedAny(${read(name)})` : read(name));
  const put = (name, made, base) => {
    if (whole) return display ? `${name} = relitCodes(${name}, ${made}, ${base}, floor${k}, ${how});` : `${name} = relit(${name}, ${made}, floor${k}, ${how});`;
    if (display) return `${name}[${plane}] = decoded(clamp(${made}, 0.0, 1.0));`;
    return `${name} += shares${k} * (${made} - ${base}); ${name}[${plane}] = ${made};`;
  };
  const shown = given ? `light - how${k}.x` : `stretchedLine(light, table${k}, how${k}, sky${k})`;
  const hole = whole ? "any(gone)" : `gone[${plane}]`;
  return `if (v${k}[0] != 0.0) {
  float light = texelFetch(line${k}, place, 0).r;
  bool hole = light < GONE || ${hole};
  float line = ${display ? `min(${shown} + neutral${k}, 1.0)` : "light"};
  float base = ${taken("here")}, made = formula${k}(base, line);
  if (protectedHere) {
    float base2 = ${taken("near")}, made2 = formula${k}(base2, line);
    ${limited ? "made = limited(made, base, made2 - base2);" : ""}
    ${put("near", "made2", "base2")}
  }
  ${put("here", "made", "base")}
  if (hole) ${whole ? "gone = bvec3(true);" : display ? `gone[${plane}] = true;` : `{ gone[${plane}] = true; for (int i = 0; i < 3; i += 1) if (shares${k}[i] > 0.0) gone[i] = true; }`}
}`;
}

function shaderSource(facts, blends, stars) {
  const parts = blends.map((blend, k) => ({blend: {...blend, limited: FORMULAS[blend.formula].limited}, k,
    domain: FORMULAS[blend.formula].domain, given: Boolean(facts.lines[blend.from.split(".")[0]].display)}));
  const inDomain = (wanted) => parts.filter(({domain}) => domain === wanted)
    .map(({blend, k, ...rest}) => blendSource(blend, k, rest)).join("\n");
  const develop = (name) => (facts.display ? `${name} = decoded(clamp(${name}, 0.0, 1.0));`
    : facts.colour === "preserve" ? `${name} = keptColour(${name});`
      : `${name} = vec3(planeAlone(${name}.r), planeAlone(${name}.g), planeAlone(${name}.b));`);
  const formulas = [...new Set(parts.map(({blend}) => blend.formula))].map((name) => FORMULAS[name].shader);
  return `#version 300 es
precision highp float; precision highp int; precision highp sampler2D;
out vec4 shown;
${spaceSource(facts.spaces)}
${COMMON}
${SHADER_PRELUDE}
${formulas.join("\n")}
${parts.map(({blend, k, domain}) => `${formulaSource(FORMULAS[blend.formula], k)}
uniform sampler2D line${k}${domain === "display" ? `, table${k}` : ""};
uniform float neutral${k}, floor${k}, sky${k};
uniform vec3 shares${k};
uniform vec4 how${k};`).join("\n")}
void main() {
  ivec2 place = ivec2(gl_FragCoord.xy);
  vec4 read = texelFetch(colour, place, 0);
  here = near = read.rgb;
  gone = lessThan(here, vec3(GONE));
  share = read.a;
  bool protectedHere = ${stars ? "share > 0.0" : "false"};
  if (protectedHere) near = texelFetch(behind, place, 0).rgb;
  ${facts.display ? "" : inDomain("linear")}
  ${develop("here")}
  ${stars ? `if (protectedHere) { ${develop("near")} }` : ""}
  ${!facts.display && facts.colour === "preserve" ? "if (any(gone)) gone = bvec3(true);" : ""}
  ${inDomain("display")}
  vec3 code = vec3(encoded(here.r), encoded(here.g), encoded(here.b));
  code = mix(floor(255.0 * code + 0.5) / 255.0, vec3(0.0), vec3(gone));
  shown = vec4(code, 1.0);
}`;
}

// Whether WebGL 2 runs on a chip, not in a program that imitates one. Asked of one pixel, and given back.
function hasChip() {
  const gl = new OffscreenCanvas(1, 1).getContext("webgl2", {failIfMajorPerformanceCaveat: true});
  if (!gl) return false;
  const named = gl.getParameter(gl.RENDERER);
  const hidden = named.startsWith("WebKit") ? gl.getExtension("WEBGL_debug_renderer_info") : null;
  const name = hidden ? gl.getParameter(hidden.UNMASKED_RENDERER_WEBGL) : named;
  gl.getExtension("WEBGL_lose_context")?.loseContext();
  return !/swiftshader|llvmpipe|softpipe|software|basic render/i.test(name);
}

// Paints with one shader; null where the browser has no WebGL 2 on a chip of its own that can hold the layers.
function chipPainter(facts, layers, mask, {imitated}) {
  if (!imitated && !hasChip()) return null;
  const canvas = new OffscreenCanvas(facts.columns, facts.rows);
  const gl = canvas.getContext("webgl2", {antialias: false, depth: false});
  if (!gl || gl.getParameter(gl.MAX_TEXTURE_SIZE) < Math.max(facts.columns, facts.rows, TABLE_WIDTH)) return null;
  const size = facts.columns * facts.rows, engine = makeEngine(facts, layers, mask);
  const programs = new Map(), textures = new Map(), drawn = new WeakMap();
  let lost = false, inUse = null;
  canvas.addEventListener("webglcontextlost", () => { lost = true; });

  function texture(name, pack, width, height, values) {
    const kept = textures.get(name) ?? gl.createTexture();
    textures.set(name, kept);
    gl.activeTexture(gl.TEXTURE0 + SCRATCH_UNIT);
    gl.bindTexture(gl.TEXTURE_2D, kept);
    const [inside, outside] = pack === 4 ? [gl.RGBA32F, gl.RGBA] : [gl.R32F, gl.RED];
    gl.texImage2D(gl.TEXTURE_2D, 0, inside, width, height, 0, outside, gl.FLOAT, values);
    for (const key of [gl.TEXTURE_MIN_FILTER, gl.TEXTURE_MAG_FILTER]) gl.texParameteri(gl.TEXTURE_2D, key, gl.NEAREST);
    return kept;
  }

  const solid = (value) => (value !== value ? GONE : value);

  function colourTexture() {
    const values = new Float32Array(4 * size);
    COLOUR.forEach((name, p) => { for (let i = 0; i < size; i += 1) values[4 * i + p] = solid(layers[name][i]); });
    if (mask) for (let i = 0; i < size; i += 1) values[4 * i + 3] = facts.protect * mask[i] / 255;
    texture("colour", 4, facts.columns, facts.rows, values);
  }

  function behindTexture() {
    const values = new Float32Array(4 * size);
    for (let i = 0, j = 0; i < size; i += 1) {
      if (mask[i] === 0) continue;
      COLOUR.forEach((name, p) => { values[4 * i + p] = solid(layers[`behind ${name}`][j]); });
      j += 1;
    }
    texture("behind", 4, facts.columns, facts.rows, values);
  }

  const lineTexture = (name) => textures.get(name) ?? texture(name, 1, facts.columns, facts.rows, layers[name].map(solid));

  const tables = new Map();
  function tableTexture(name, key, {values}) {
    if (tables.get(name) === key) return textures.get(name);
    tables.set(name, key);
    const rows = Math.ceil(values.length / TABLE_WIDTH), padded = new Float32Array(rows * TABLE_WIDTH);
    padded.set(values);
    return texture(name, 1, TABLE_WIDTH, rows, padded);
  }

  function shader(kind, source) {
    const made = gl.createShader(kind);
    gl.shaderSource(made, source);
    gl.compileShader(made);
    return made;
  }

  const CORNERS = `#version 300 es
void main() { gl_Position = vec4(vec2[3](vec2(-1, -1), vec2(3, -1), vec2(-1, 3))[gl_VertexID], 0, 1); }`;

  function programFor(blends) {
    const key = JSON.stringify(blends.map(({into, from, formula, method}) => [into, from, formula, method]));
    if (programs.has(key)) return programs.get(key);
    const program = gl.createProgram();
    const stars = mask !== null && facts.protect > 0 && blends.some(({formula}) => FORMULAS[formula].limited);
    gl.attachShader(program, shader(gl.VERTEX_SHADER, CORNERS));
    gl.attachShader(program, shader(gl.FRAGMENT_SHADER, shaderSource(facts, blends, stars)));
    gl.linkProgram(program);
    if (!gl.getProgramParameter(program, gl.LINK_STATUS)) throw new Error(gl.getProgramInfoLog(program) || "no shader");
    const places = new Map();
    const at = (name) => {
      if (!places.has(name)) places.set(name, gl.getUniformLocation(program, name));
      return places.get(name);
    };
    const made = {program, at, stars, known: false, turns: 0, fastest: Infinity};
    programs.set(key, made);
    return made;
  }

  const use = (made) => {
    inUse = made;
    return made;
  };

  const lineTables = new Map();
  function tableOf(name, key, solved) {
    if (lineTables.get(name)?.key !== key) lineTables.set(name, {key, table: valueTable(solved)});
    return lineTables.get(name).table;
  }

  function setBlend(at, bind, blend, k, settings, solved) {
    const formula = FORMULAS[blend.formula], display = formula.domain === "display";
    bind(`line${k}`, lineTexture(blend.from));
    const own = Object.keys(formula.params).map((name) => blend.params[name]);
    if (!display) {
      const sigma = facts.noise[blend.into];
      gl.uniform1fv(at(`v${k}`), [blend.amount, 0, sigma, facts.layers[blend.from].sigma, ...own]);
      gl.uniform1f(at(`floor${k}`), 3 * sigma);
      gl.uniform3fv(at(`shares${k}`), COLOUR.map((name) => (name === blend.into ? 0 : blend.share?.[name] ?? 0)));
      return;
    }
    const line = engine.solveLine(blend.from, settings);
    gl.uniform1fv(at(`v${k}`), [blend.amount, solved.level, solved.noise, line.noise, ...own]);
    gl.uniform1f(at(`neutral${k}`), formula.neutral(solved.level, blend.params));
    gl.uniform1f(at(`floor${k}`), decodeExactly(0.5 * solved.level));
    if (facts.lines[blend.from.split(".")[0]].display) {
      gl.uniform4f(at(`how${k}`), line.level, 0, 0, 0);
      return;
    }
    const key = `${line.parameter} ${line.black}`, name = `table ${blend.from}`;
    const table = tableOf(name, key, line);
    bind(`table${k}`, tableTexture(name, key, table));
    gl.uniform4f(at(`how${k}`), line.black, 1 / (line.white - line.black), table.first, valueOf(line)(0));
    gl.uniform1f(at(`sky${k}`), table.values[bitsOf(line.m) - table.first]);
  }

  function drawAll(settings, solved) {
    const blends = settings.blends, {program, at, stars} = use(programFor(blends));
    gl.useProgram(program);
    let unit = 0;
    const bind = (name, kept) => {
      if (unit >= SCRATCH_UNIT) throw new Error("too many lines for one shader");
      gl.activeTexture(gl.TEXTURE0 + unit);
      gl.bindTexture(gl.TEXTURE_2D, kept);
      gl.uniform1i(at(name), unit);
      unit += 1;
    };
    bind("colour", textures.get("colour"));
    if (stars) bind("behind", textures.get("behind"));
    if (!facts.display) {
      const table = engine.colourTable(solved);
      bind("curve", tableTexture("curve", `${solved.parameter} ${solved.black}`, table));
      gl.uniform1f(at("black"), solved.black);
      gl.uniform1f(at("scale"), 1 / (solved.white - solved.black));
      gl.uniform1f(at("least"), 0.1 * solved.m);
      gl.uniform1f(at("curveAtNought"), Math.max(valueOf(solved)(0), 0) || 0);
      gl.uniform1i(at("first"), table.first);
    }
    blends.forEach((blend, k) => setBlend(at, bind, blend, k, settings, solved));
    gl.viewport(0, 0, facts.columns, facts.rows);
    gl.drawArrays(gl.TRIANGLES, 0, 3);
  }

  // Waits without holding the page up.
  async function readBack(bytes) {
    const buffer = gl.createBuffer();
    gl.bindBuffer(gl.PIXEL_PACK_BUFFER, buffer);
    gl.bufferData(gl.PIXEL_PACK_BUFFER, bytes.length, gl.STREAM_READ);
    gl.readPixels(0, 0, facts.columns, facts.rows, gl.RGBA, gl.UNSIGNED_BYTE, 0);
    const fence = gl.fenceSync(gl.SYNC_GPU_COMMANDS_COMPLETE, 0);
    gl.bindBuffer(gl.PIXEL_PACK_BUFFER, null);
    gl.flush();
    while (!lost && gl.clientWaitSync(fence, 0, 0) === gl.TIMEOUT_EXPIRED) await new Promise((done) => { setTimeout(done, 1); });
    gl.bindBuffer(gl.PIXEL_PACK_BUFFER, buffer);
    gl.getBufferSubData(gl.PIXEL_PACK_BUFFER, 0, bytes);
    gl.bindBuffer(gl.PIXEL_PACK_BUFFER, null);
    gl.deleteBuffer(buffer);
    gl.deleteSync(fence);
    if (lost || gl.isContextLost() || gl.getError() !== gl.NO_ERROR) throw new Error("the graphics context is lost");
  }

  // Throws an Error where a shader does not compile or the context is lost.
  async function paint({settings, line}, bytes) {
    if (line) return engine.renderLine(line, settings, bytes);
    const key = JSON.stringify(settings), solved = engine.solveColour(settings);
    if (drawn.get(bytes) === key) return solved;
    drawn.delete(bytes);
    const start = performance.now();
    drawAll(settings, solved);
    const made = inUse;
    await readBack(bytes);
    // The first time is the compiler's.
    if (made.turns > 0) made.fastest = Math.min(made.fastest, performance.now() - start);
    made.turns += 1;
    drawn.set(bytes, key);
    return solved;
  }

  // Whether `bytes` are what the engine makes; asked once a shader.
  function check(settings, bytes) {
    inUse.known = true;
    const right = new Uint8ClampedArray(4 * size);
    engine.render(settings, right, "check");
    return right.every((value, k) => value >= 250 || Math.abs(bytes[k] - value) <= 2);
  }

  // Not one quick picture in several: near that bar are two processors too.
  const slow = () => inUse.turns > SLOW_TURNS && inUse.fastest > SLOW_MS;

  colourTexture();
  if (mask && facts.protect > 0) behindTexture();
  return {paint, check, slow, trusted: () => inUse.known, current: () => inUse};
}
