// Bands of rows, each with an engine of its own in a worker. They meet in one place: the means of all blocks, from which
// the share of the saturation is told. While a slider moves a band draws every second pixel both ways.

// The part of everything from row `first` to `end`, every `step`-th pixel; rows of blocks are not parted. A layer is light
// or, as it came, the two bytes of its codes.
function bandOf(facts, layers, mask, first, end, step = 1) {
  const {columns} = facts, wide = Math.ceil(columns / step), high = Math.ceil((end - first) / step);
  const pick = (plane) => {
    if (step === 1) return plane.slice(first * columns, end * columns);
    const made = new plane.constructor(wide * high);
    for (let y = 0, i = 0; y < high; y += 1) {
      const from = (first + y * step) * columns;
      for (let x = 0; x < wide; x += 1, i += 1) made[i] = plane[from + x * step];
    }
    return made;
  };
  const kept = [];
  for (let i = 0, j = 0; mask && i < end * columns; i += 1) {
    if (mask[i] === 0) continue;
    const y = Math.floor(i / columns), x = i - y * columns;
    if (y >= first && (y - first) % step === 0 && x % step === 0) kept.push(j);
    j += 1;
  }
  const few = (plane) => new plane.constructor(kept).map((_, k) => plane[kept[k]]);
  const part = {};
  for (const [name, layer] of Object.entries(layers)) {
    const take = name.startsWith("shift ") ? (plane) => plane.slice() : name.startsWith("behind ") ? few : pick;
    part[name] = layer.high ? {high: take(layer.high), low: take(layer.low)} : take(layer);
  }
  return {facts: {...facts, columns: wide, rows: high, top: first / step, whole_rows: Math.ceil(facts.rows / step), whole_columns: columns, step},
    layers: part, mask: mask ? pick(mask) : null};
}

const lightOf = (layer, name, facts) => (layer.high ? expandCodes(layer.high, layer.low, facts.layers[name].knee, facts) : layer);

// Answers {id, kind, slot, settings, line, share, memory}. "draft" and "line" give {solved, part}, "render" {solved,
// means}, then "finish" {part}. `part` lies in `memory`, that of an earlier one, where there is any: fresh memory takes
// longer to get than to fill.
function bandServer({facts, layers: given, mask}) {
  const layers = Object.fromEntries(Object.entries(given).map(([name, layer]) => [name, lightOf(layer, name, facts)]));
  const engine = makeEngine(facts, layers, mask), lost = lostOf({columns: facts.columns}, layers);
  const finisher = makeFinisher(facts, lost), slots = new Map();
  let draft = null, coarse = null;
  const slotOf = (name, size) => {
    if (!slots.has(name)) slots.set(name, {codes: COLOUR.map(() => new Float32Array(size)), solved: null});
    return slots.get(name);
  };
  const draftOf = () => {
    if (draft) return draft;
    const small = bandOf({...facts, rows: facts.rows}, layers, mask, 0, facts.rows, 2);
    const placed = {...small.facts, top: facts.top / 2, whole_rows: Math.ceil(facts.whole_rows / 2)};
    const less = lost && {n: halved(lost.n), a: halved(lost.a), b: halved(lost.b)};
    draft = {engine: makeEngine(placed, small.layers, small.mask), finisher: makeFinisher(placed, less)};
    return draft;
  };
  const room = (memory, size) => (memory?.byteLength === 4 * size ? new Uint8ClampedArray(memory) : new Uint8ClampedArray(4 * size));
  const kinds = {
    line({settings, line, memory}) {
      const part = room(memory, engine.size);
      return {solved: engine.renderLine(line, settings, part), part};
    },
    draft({settings, memory}) {
      const small = draftOf(), kept = slotOf("draft", small.engine.size), part = room(memory, small.engine.size);
      const solved = small.engine.render(settings, kept.codes, "draft");
      small.finisher.finish(kept.codes, settings.finish, solved.level, coarse, part);
      return {solved, part};
    },
    render({slot, settings}) {
      const kept = slotOf(slot, engine.size);
      kept.solved = engine.render(settings, kept.codes, slot);
      return {solved: kept.solved, means: coarse === null || finisher.needsShares(settings.finish) ? finisher.means(kept.codes) : null};
    },
    finish({slot, settings, share, memory}) {
      const kept = slotOf(slot, engine.size), part = room(memory, engine.size);
      if (share) coarse = halved(share);
      finisher.finish(kept.codes, settings.finish, kept.solved.level, share, part);
      return {part};
    },
  };
  return (job) => {
    try {
      return {id: job.id, ...kinds[job.kind](job)};
    } catch (fault) {
      if (!(fault instanceof RangeError)) throw fault;
      return {id: job.id, fault: fault.message};
    }
  };
}

// Workers that read the engine while the layers are unpacked; none where a browser starts none.
function startWorkers(source, count) {
  try {
    const address = URL.createObjectURL(new Blob([source + WORKER_TAIL], {type: "text/javascript"}));
    const started = Array.from({length: count}, () => new Worker(address));
    for (const worker of started) worker.onerror = (event) => { event.preventDefault(); worker.ended = true; };
    return started;
  } catch {
    return [];
  }
}

function serveFrom(worker, band) {
  const open = new Map();
  worker.onmessage = ({data}) => {
    const {settle} = open.get(data.id);
    open.delete(data.id);
    settle(data);
  };
  worker.onerror = (event) => {
    event.preventDefault();
    for (const {refuse} of open.values()) refuse(new Error(event.message || "a worker stopped"));
    open.clear();
  };
  const parts = [...Object.values(band.layers).flatMap((layer) => (layer.high ? [layer.high, layer.low] : [layer])), ...(band.mask ? [band.mask] : [])];
  worker.postMessage({band}, parts.map((part) => part.buffer));
  return (job) => new Promise((settle, refuse) => {
    if (worker.ended) refuse(new Error("a worker did not start"));
    open.set(job.id, {settle, refuse});
    worker.postMessage({job}, job.memory ? [job.memory] : []);
  });
}

const WORKER_TAIL = `
let answer = null;
onmessage = ({data}) => {
  if (data.band) { answer = bandServer(data.band); return; }
  const made = answer(data.job);
  postMessage(made, made.part ? [made.part.buffer] : []);
};`;

// Paints with workers, or in this thread where there are none.
function bandPainter(facts, layers, mask, workers) {
  const count = Math.max(workers.length, 1);
  // Whole blocks of the finish, of the half-sized picture too.
  const edges = Array.from({length: count + 1}, (_, k) => (k === count ? facts.rows : 8 * Math.round(k * facts.rows / count / 8)));
  const lost = lostOf(facts, layers);
  let id = 0, spare = () => start(here);
  const start = (launch) => edges.slice(1).map((end, k) => (
    {top: edges[k], memory: {}, ask: launch(bandOf(facts, layers, mask, edges[k], end), k)}));
  const here = (band) => {
    const answer = bandServer(band);
    return (job) => Promise.resolve(answer(job));
  };
  let ask = workers.length ? start((band, k) => serveFrom(workers[k], band)) : spare();
  const asked = (job) => Promise.all(ask.map((band) => {
    const memory = band.memory[job.kind];
    band.memory[job.kind] = null;
    return band.ask({...job, memory});
  }));
  async function answers(job) {
    id += 1;
    const whole = {...job, id};
    let made;
    try {
      made = await asked(whole);
    } catch (fault) {
      if (!spare) throw fault;
      ask = spare();
      made = await asked(whole);
    } finally {
      // The layers are held here until the workers have shown that they work.
      spare = null;
    }
    const failed = made.find(({fault}) => fault);
    if (failed) throw new RangeError(failed.fault);
    return made;
  }
  function put(made, kind, bytes, step) {
    const wide = Math.ceil(facts.columns / step);
    made.forEach(({part}, k) => {
      bytes.set(part, 4 * wide * (ask[k].top / step));
      ask[k].memory[kind] = part.buffer;
    });
  }

  // Fills `bytes` with the picture of a slot and returns what was solved.
  async function paint({slot, settings}, bytes) {
    const made = await answers({kind: "render", slot, settings});
    let share = null;
    if (made[0].means) {
      const means = [0, 1, 2].map((plane) => made.flatMap((band) => band.means[plane]));
      share = saturationShares(means, settings.finish.chroma_reduction > 0 ? lost : null, facts);
    }
    put(await answers({kind: "finish", slot, settings, share}), "finish", bytes, 1);
    return made[0].solved;
  }
  // Every second pixel both ways, at once; and one line by itself.
  async function sketch(settings, bytes) {
    const made = await answers({kind: "draft", settings});
    put(made, "draft", bytes, 2);
    return made[0].solved;
  }
  async function paintLine(line, settings, bytes) {
    const made = await answers({kind: "line", line, settings});
    put(made, "line", bytes, 1);
    return made[0].solved;
  }
  return {paint, sketch, paintLine};
}
