"use strict";
const byId = (id) => document.getElementById(id);
document.documentElement.classList.add("scripted");
byId("scheme").addEventListener("change", (event) => {
  document.documentElement.dataset.scheme = event.target.checked ? "red" : "";
});

// --- the picture: a view is a scale (screen px per px of the picture) and where its corner lies on the stage ---
const figure = byId("viewer"), stage = byId("stage"), seam = byId("seam"), readout = byId("readout");
const wide = +figure.dataset.width, high = +figure.dataset.height;
const target = figure.dataset.target.split(",").map(Number);
const view = { scale: 1, x: 0, y: 0 };
let cut = 50, mode = "seam", opened = "target";
stage.tabIndex = 0;
stage.setAttribute("role", "group");
stage.setAttribute("aria-label", "Picture with and without lines");
for (const image of stage.querySelectorAll("img")) {
  const [left, top, width, height] = image.dataset.box.split(",").map(Number);
  Object.assign(image.style, { left: `${left}px`, top: `${top}px`, width: `${width}px`, height: `${height}px` });
}
const room = () => [stage.clientWidth, stage.clientHeight];
const dots = () => window.devicePixelRatio || 1;

function clamp(value, size, span) {
  return size <= span ? (span - size) / 2 : Math.min(0, Math.max(span - size, value));
}

function held() {
  // px of the picture that stand for one of what the page holds at the middle of the view
  const [across, down] = room();
  const x = (across / 2 - view.x) / view.scale, y = (down / 2 - view.y) / view.scale;
  const ratios = [...stage.querySelectorAll(mode === "without" ? ".without img" : ".with img")].filter((image) => {
    const [left, top, width, height] = image.dataset.box.split(",").map(Number);
    return x >= left && y >= top && x <= left + width && y <= top + height;
  }).map((image) => +image.dataset.ratio);
  return Math.min(...ratios, Infinity);
}

function draw() {
  const [across, down] = room();
  view.scale = Math.min(16 / dots(), Math.max(view.scale, Math.min(across / wide, down / high, 1 / dots())));
  view.x = clamp(view.x, wide * view.scale, across);
  view.y = clamp(view.y, high * view.scale, down);
  for (const world of stage.querySelectorAll(".world")) {
    world.style.transform = `translate(${view.x}px, ${view.y}px) scale(${view.scale})`;
  }
  const size = view.scale * dots(), ratio = held();
  stage.classList.toggle("near", size >= 2);
  stage.dataset.mode = mode;
  stage.style.setProperty("--cut", `${cut}%`);
  seam.setAttribute("aria-valuenow", String(Math.round(cut)));
  const coarse = ratio > 1.02 && size * ratio > 1.02 ? `, means of ${ratio.toFixed(1)} x ${ratio.toFixed(1)} px` : "";
  const what = { seam: "left without, right with", with: "with lines", without: "without lines" }[mode];
  readout.textContent = `${Math.round(100 * size)} %${coarse}; ${what}`;
}

function show(left, top, width, height) {
  const [across, down] = room();
  // a small picture is opened at 200 % at most, if that fills the stage
  view.scale = Math.min(across / width, down / height, Math.max(2 / dots(), across / wide, down / high));
  view.x = across / 2 - (left + width / 2) * view.scale;
  view.y = down / 2 - (top + height / 2) * view.scale;
  draw();
}

function zoom(factor, x = stage.clientWidth / 2, y = stage.clientHeight / 2) {
  const before = view.scale, [across, down] = room();
  opened = "";
  view.scale = Math.min(16 / dots(), Math.max(before * factor, Math.min(across / wide, down / high, 1 / dots())));
  view.x = x - (x - view.x) * view.scale / before;
  view.y = y - (y - view.y) * view.scale / before;
  draw();
}

const views = {
  target: () => show(...target),
  whole: () => show(0, 0, wide, high),
  full: () => {
    const [across, down] = room(), x = (across / 2 - view.x) / view.scale, y = (down / 2 - view.y) / view.scale;
    view.scale = 1 / dots();
    view.x = across / 2 - x * view.scale;
    view.y = down / 2 - y * view.scale;
    draw();
  },
};
function open(name) {
  opened = name;
  views[name]();
}
function blink() {
  mode = mode === "without" ? "with" : "without";
  draw();
}
function moveSeam(percent) {
  cut = Math.min(100, Math.max(0, percent));
  mode = "seam";
  draw();
}
for (const name of ["target", "whole", "full"]) byId(`to-${name}`).addEventListener("click", () => open(name));
byId("in").addEventListener("click", () => zoom(1.25));
byId("out").addEventListener("click", () => zoom(0.8));
byId("blink").addEventListener("click", blink);
new ResizeObserver(() => (opened ? open(opened) : draw())).observe(stage);

stage.addEventListener("wheel", (event) => {
  const before = view.scale, frame = stage.getBoundingClientRect();
  zoom(Math.exp(-0.0015 * event.deltaY * (event.deltaMode ? 16 : 1)), event.clientX - frame.left, event.clientY - frame.top);
  // where the picture cannot change any more the page scrolls on
  if (view.scale !== before) event.preventDefault();
}, { passive: false });

const fingers = new Map();
let seamHeld = false;
stage.addEventListener("pointerdown", (event) => {
  if (event.button !== 0) return;
  seamHeld = event.target === seam && fingers.size === 0;
  fingers.set(event.pointerId, [event.clientX, event.clientY]);
  stage.setPointerCapture(event.pointerId);
  stage.classList.add("held");
  if (mode !== "seam" && event.target !== seam) stage.focus({ preventScroll: true });
});
stage.addEventListener("pointermove", (event) => {
  const last = fingers.get(event.pointerId);
  if (!last) return;
  const frame = stage.getBoundingClientRect(), now = [event.clientX, event.clientY];
  const others = [...fingers].filter(([id]) => id !== event.pointerId).map(([, place]) => place);
  fingers.set(event.pointerId, now);
  if (seamHeld) {
    moveSeam(100 * (now[0] - frame.left) / frame.width);
  } else if (others.length === 0) {
    opened = "";
    view.x += now[0] - last[0];
    view.y += now[1] - last[1];
    draw();
  } else {
    const other = others[0], span = (place) => Math.hypot(place[0] - other[0], place[1] - other[1]) || 1;
    view.x += (now[0] - last[0]) / 2;
    view.y += (now[1] - last[1]) / 2;
    zoom(span(now) / span(last), (now[0] + other[0]) / 2 - frame.left, (now[1] + other[1]) / 2 - frame.top);
  }
});
for (const kind of ["pointerup", "pointercancel"]) {
  stage.addEventListener(kind, (event) => {
    fingers.delete(event.pointerId);
    if (fingers.size === 0) {
      seamHeld = false;
      stage.classList.remove("held");
    }
  });
}

seam.addEventListener("keydown", (event) => {
  const step = { ArrowLeft: -1, ArrowRight: 1, PageDown: -10, PageUp: 10, Home: -100, End: 100 }[event.key];
  if (step === undefined) return;
  event.preventDefault();
  event.stopPropagation();
  moveSeam(cut + step);
});
stage.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const pan = { ArrowLeft: [60, 0], ArrowRight: [-60, 0], ArrowUp: [0, 60], ArrowDown: [0, -60] }[event.key];
  const acts = {
    "+": () => zoom(1.25), "=": () => zoom(1.25), "-": () => zoom(0.8), t: () => open("target"), w: () => open("whole"),
    1: () => open("full"), Escape: () => moveSeam(cut),
  };
  if (pan) {
    opened = "";
    view.x += pan[0];
    view.y += pan[1];
    draw();
  } else if (acts[event.key.toLowerCase()] || acts[event.key]) {
    (acts[event.key] || acts[event.key.toLowerCase()])();
  } else return;
  event.preventDefault();
});
document.addEventListener("keydown", (event) => {
  const frame = stage.getBoundingClientRect(), free = event.target === document.body || stage.contains(event.target);
  if (event.key !== " " || !free || frame.bottom < 0 || frame.top > innerHeight) return;
  event.preventDefault();
  if (!event.repeat) blink();
});
open("target");

// --- crops by turns, commands to copy, folds opened for print ---
const turns = byId("blink-crops");
if (turns) {
  const pairs = [...document.querySelectorAll(".crops")].flatMap((crops) => {
    const first = crops.querySelectorAll("img[data-column='0']"), second = crops.querySelectorAll("img[data-column='1']");
    return [...first].filter((_, i) => second[i]).map((image, i) => ({ image, sources: [image.src, second[i].src] }));
  });
  let timer = 0, turn = 0;
  turns.addEventListener("click", () => {
    clearInterval(timer);
    timer = timer ? 0 : setInterval(() => {
      turn = 1 - turn;
      for (const { image, sources } of pairs) image.src = sources[turn];
    }, 700);
    if (!timer) for (const { image, sources } of pairs) image.src = sources[0];
    turns.setAttribute("aria-pressed", String(timer !== 0));
  });
}
for (const button of document.querySelectorAll(".copy button")) {
  button.addEventListener("click", async () => {
    const code = button.previousElementSibling;
    try {
      await navigator.clipboard.writeText(code.textContent);
    } catch {
      getSelection().selectAllChildren(code);
      document.execCommand("copy");
    }
    button.textContent = "Copied";
    setTimeout(() => { button.textContent = "Copy"; }, 1500);
  });
}
const folds = [...document.querySelectorAll("main > section > details")];
addEventListener("beforeprint", () => folds.forEach((fold) => { fold.dataset.was = fold.open; fold.open = true; }));
addEventListener("afterprint", () => folds.forEach((fold) => { fold.open = fold.dataset.was === "true"; }));
