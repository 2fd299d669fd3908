// Four numbers of a picture beside the same without lines, measured at the places that the trial's tiles are.

const medianOfSome = (list) => (list.length ? medianOf(list) : null);

// CIE L*a*b* (D65) of code values; CIEDE2000 of two, after CIE 142-2001.
function labOf(codes) {
  const xyz = [0, 0, 0], white = facts.spaces.WHITE_D65;
  mixer(facts.spaces.RGB_TO_XYZ)(...codes.map(decodeExactly), xyz);
  const [x, y, z] = xyz.map((value, k) => {
    const t = value / white[k];
    return t > 216 / 24389 ? Math.cbrt(t) : (24389 / 27 * t + 16) / 116;
  });
  return [116 * y - 16, 500 * (x - y), 200 * (y - z)];
}

function ciede2000([l1, a1, b1], [l2, a2, b2]) {
  const mean7 = ((Math.hypot(a1, b1) + Math.hypot(a2, b2)) / 2) ** 7, g = 0.5 * (1 - Math.sqrt(mean7 / (mean7 + 25 ** 7)));
  const [p1, p2] = [a1 * (1 + g), a2 * (1 + g)], [c1, c2] = [Math.hypot(p1, b1), Math.hypot(p2, b2)];
  const turn = 2 * Math.PI, angle = (a, b) => (a === 0 && b === 0 ? 0 : (Math.atan2(b, a) + turn) % turn);
  const [h1, h2] = [angle(p1, b1), angle(p2, b2)];
  let dh = h2 - h1;
  if (c1 * c2 === 0) dh = 0; else if (dh > Math.PI) dh -= turn; else if (dh < -Math.PI) dh += turn;
  const [l, c] = [(l1 + l2) / 2, (c1 + c2) / 2];
  let h = h1 + h2;
  if (c1 * c2 !== 0) h = Math.abs(h1 - h2) <= Math.PI ? h / 2 : (h < turn ? h + turn : h - turn) / 2;
  const deg = Math.PI / 180;
  const t = 1 - 0.17 * Math.cos(h - 30 * deg) + 0.24 * Math.cos(2 * h) + 0.32 * Math.cos(3 * h + 6 * deg) - 0.2 * Math.cos(4 * h - 63 * deg);
  const sl = 1 + 0.015 * (l - 50) ** 2 / Math.sqrt(20 + (l - 50) ** 2), sc = 1 + 0.045 * c, sh = 1 + 0.015 * c * t;
  const rt = -2 * Math.sqrt(c ** 7 / (c ** 7 + 25 ** 7)) * Math.sin(60 * deg * Math.exp(-(((h / deg - 275) / 25) ** 2)));
  const [L, C, H] = [(l2 - l1) / sl, (c2 - c1) / sc, 2 * Math.sqrt(c1 * c2) * Math.sin(dh / 2) / sh];
  return Math.sqrt(Math.max(L * L + C * C + H * H + rt * C * H, 0));
}

function numbersOf(made, plain) {
  const {places, columns} = facts, {plane} = places;
  const meanAt = (list) => list.reduce((sum, i) => sum + made[4 * i + plane], 0) / list.length;
  let contrast = null;
  if (places.shines.length >= 20 && places.near.length >= 20) {
    const near = meanAt(places.near);
    if (near >= 1) contrast = (meanAt(places.shines) - near) / near;
  }
  const grey = (bytes, i) => LUMINANCE_WEIGHTS.reduce((sum, weight, k) => sum + weight * bytes[4 * i + k], 0);
  const noise = (bytes) => medianOfSome(places.sky.map((i, k) => Math.abs(grey(bytes, i) - grey(bytes, places.beside[k]))));
  const [own, bare] = [noise(made), noise(plain)];
  const nine = (bytes, i) => [0, 1, 2].map((k) => [-1, 0, 1].reduce((sum, dy) => (
    sum + [-1, 0, 1].reduce((row, dx) => row + bytes[4 * (i + dy * columns + dx) + k], 0)), 0) / 9 / 255);
  const moved = [];
  for (const i of places.stars) {
    const before = nine(plain, i);
    if (Math.min(...before) < 0.99) moved.push(ciede2000(labOf(nine(made, i)), labOf(before)));
  }
  let clipped = 0;
  for (let k = 0; k < made.length; k += 4) if (made[k] === 255 || made[k + 1] === 255 || made[k + 2] === 255) clipped += 1;
  return {contrast, noise: bare > 0 ? own / bare : null, stars: medianOfSome(moved), clipped: 4 * clipped / made.length};
}
