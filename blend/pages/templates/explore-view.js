// The picture on screen: zoomed, moved, wiped and blinked, by pointer, wheel, two fingers and keys.

const stage = find("stage"), layerBox = find("layers"), seam = find("seam");
const [WIDTH, HEIGHT] = [facts.columns, facts.rows];
const eye = {scale: 1, x: WIDTH / 2, y: HEIGHT / 2, fitted: true, cut: 0.5, wiping: false, under: false};
const MOST_SCALE = 32;
const clamp = (value, low, high) => Math.min(Math.max(value, low), high);
const fitScale = () => Math.min(stage.clientWidth / WIDTH, stage.clientHeight / HEIGHT) || 1;
const ratio = () => window.devicePixelRatio || 1;

// Per cent of the masters' own pixels: a pixel of this page is `factor` of theirs across.
const percent = () => 100 * eye.scale * ratio() / facts.factor;

function place() {
  const [wide, high] = [stage.clientWidth, stage.clientHeight];
  if (eye.fitted) Object.assign(eye, {scale: fitScale(), x: WIDTH / 2, y: HEIGHT / 2});
  const within = (value, size, room) => (size * eye.scale <= room ? size / 2 : clamp(value, room / 2 / eye.scale, size - room / 2 / eye.scale));
  eye.x = within(eye.x, WIDTH, wide);
  eye.y = within(eye.y, HEIGHT, high);
  // Whole pixels of the screen, so that 100 % is.
  const whole = (value) => Math.round(value * ratio()) / ratio();
  const [left, top] = [whole(wide / 2 - eye.x * eye.scale), whole(high / 2 - eye.y * eye.scale)];
  layerBox.style.transform = `translate(${left}px, ${top}px) scale(${eye.scale})`;
  layerBox.style.imageRendering = eye.scale * ratio() > 1.5 ? "pixelated" : "auto";
  const averages = facts.factor > 1 ? `; a pixel here is the mean of ${facts.factor} x ${facts.factor}` : "";
  find("zoom").textContent = `${percent().toFixed(percent() < 10 ? 1 : 0)} %${averages}`;
  find("fit").setAttribute("aria-pressed", String(eye.fitted));
  find("true-size").setAttribute("aria-pressed", String(!eye.fitted && Math.abs(eye.scale * ratio() - 1) < 1e-6));
  cutPicture(left);
}

// The seam stands at a share of the stage; the picture on its right is cut there.
function cutPicture(left) {
  seam.hidden = find("name-left").hidden = !eye.wiping;
  seam.style.left = `${100 * eye.cut}%`;
  seam.setAttribute("aria-valuenow", String(Math.round(100 * eye.cut)));
  const from = clamp((eye.cut * stage.clientWidth - left) / eye.scale, 0, WIDTH);
  for (const [id, size] of [["over", 1], ["rough", 2]]) {
    find(id).style.clipPath = eye.wiping ? `inset(0 0 0 ${from / size}px)` : "";
    find(id).style.visibility = eye.under ? "hidden" : "";
  }
}

// Zooms so that what lies under a point of the stage stays there.
function zoomTo(scale, at = [stage.clientWidth / 2, stage.clientHeight / 2]) {
  const next = clamp(scale, Math.min(fitScale(), 1 / ratio()), MOST_SCALE);
  const off = [at[0] - stage.clientWidth / 2, at[1] - stage.clientHeight / 2];
  eye.x += off[0] / eye.scale - off[0] / next;
  eye.y += off[1] / eye.scale - off[1] / next;
  Object.assign(eye, {scale: next, fitted: false});
  place();
}

function moveBy(x, y) {
  eye.x -= x / eye.scale;
  eye.y -= y / eye.scale;
  eye.fitted = false;
  place();
}

function cutAt(share) {
  eye.cut = clamp(share, 0, 1);
  place();
}

function listenToStage() {
  const held = new Map();
  const spot = (event) => {
    const box = stage.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  };
  const spread = () => {
    const [a, b] = [...held.values()];
    return {size: Math.hypot(a[0] - b[0], a[1] - b[1]), middle: [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2]};
  };
  stage.addEventListener("wheel", (event) => {
    event.preventDefault();
    zoomTo(eye.scale * Math.exp(-clamp(event.deltaY, -200, 200) / 300), spot(event));
  }, {passive: false});
  stage.addEventListener("pointerdown", (event) => {
    if (event.target === seam) return;
    stage.setPointerCapture(event.pointerId);
    held.set(event.pointerId, spot(event));
    stage.classList.add("held");
  });
  stage.addEventListener("pointermove", (event) => {
    if (!held.has(event.pointerId)) return;
    const before = held.size === 2 ? spread() : null, old = held.get(event.pointerId);
    held.set(event.pointerId, spot(event));
    if (before) {
      const now = spread();
      moveBy(now.middle[0] - before.middle[0], now.middle[1] - before.middle[1]);
      zoomTo(eye.scale * now.size / Math.max(before.size, 1), now.middle);
    } else if (held.size === 1) {
      const now = held.get(event.pointerId);
      moveBy(now[0] - old[0], now[1] - old[1]);
    }
  });
  for (const kind of ["pointerup", "pointercancel"]) {
    stage.addEventListener(kind, (event) => {
      held.delete(event.pointerId);
      if (held.size === 0) stage.classList.remove("held");
    });
  }
  stage.addEventListener("dblclick", (event) => {
    if (eye.fitted) zoomTo(1 / ratio(), spot(event)); else { eye.fitted = true; place(); }
  });
  seam.addEventListener("pointerdown", (event) => seam.setPointerCapture(event.pointerId));
  seam.addEventListener("pointermove", (event) => {
    if (seam.hasPointerCapture(event.pointerId)) cutAt(spot(event)[0] / stage.clientWidth);
  });
  seam.addEventListener("keydown", (event) => {
    const step = {ArrowLeft: -0.01, ArrowRight: 0.01, ArrowDown: -0.01, ArrowUp: 0.01, PageDown: -0.1, PageUp: 0.1, Home: -1, End: 1}[event.key];
    if (!step) return;
    event.preventDefault();
    event.stopPropagation();
    cutAt(eye.cut + step);
  });
  stage.addEventListener("keydown", (event) => {
    const step = event.shiftKey ? 10 : 80;
    const move = {ArrowLeft: [step, 0], ArrowRight: [-step, 0], ArrowUp: [0, step], ArrowDown: [0, -step]}[event.key];
    const act = {"+": () => zoomTo(eye.scale * 1.25), "=": () => zoomTo(eye.scale * 1.25), "-": () => zoomTo(eye.scale / 1.25),
      0: () => { eye.fitted = true; place(); }, 1: () => zoomTo(1 / ratio()), " ": () => turnOnce()}[event.key];
    if (event.ctrlKey || event.metaKey || event.altKey || !(move || act)) return;
    event.preventDefault();
    if (move) moveBy(...move); else act();
  });
  find("fit").addEventListener("click", () => { eye.fitted = true; place(); });
  find("true-size").addEventListener("click", () => zoomTo(1 / ratio()));
  find("in").addEventListener("click", () => zoomTo(eye.scale * 1.25));
  find("out").addEventListener("click", () => zoomTo(eye.scale / 1.25));
  new ResizeObserver(place).observe(stage);
  const nearest = facts.factor > 1 ? `${Math.round(100 / facts.factor)} %` : "100 %";
  find("true-size").textContent = nearest;
}
