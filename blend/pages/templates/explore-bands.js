// Bands of rows, each with an engine of its own in a worker: every step is pixel by pixel, so bands never meet.

// Answers jobs {id, slot, settings, line, memory} with {id, solved, part}; `part` is null where nothing changed. It lies
// in `memory`, that of an earlier part, where there is any: fresh memory takes longer to get than to fill.
function bandServer({facts, layers, mask}) {
  const engine = makeEngine(facts, layers, mask), slots = new Map();
  return ({id, slot, settings, line, memory}) => {
    const key = JSON.stringify([settings, line]);
    let kept = slots.get(slot);
    if (!kept) slots.set(slot, kept = {key: null, solved: null, bytes: new Uint8ClampedArray(4 * engine.size)});
    if (kept.key === key) return {id, solved: kept.solved, part: null};
    kept.key = null;
    try {
      kept.solved = line ? engine.renderLine(line, settings, kept.bytes) : engine.render(settings, kept.bytes, slot);
    } catch (fault) {
      if (!(fault instanceof RangeError)) throw fault;
      return {id, fault: fault.message};
    }
    kept.key = key;
    const part = new Uint8ClampedArray(memory ?? kept.bytes.length);
    part.set(kept.bytes);
    return {id, solved: kept.solved, part};
  };
}

// Rows from `first` to `end` of everything an engine is made of, copied.
function bandOf(facts, layers, mask, first, end) {
  const [from, to] = [first * facts.columns, end * facts.columns];
  const marked = (a, b) => {
    let count = 0;
    for (let i = a; i < b; i += 1) if (mask[i] > 0) count += 1;
    return count;
  };
  const [starFrom, starTo] = mask ? [marked(0, from), marked(0, to)] : [0, 0];
  const part = {};
  for (const [name, light] of Object.entries(layers)) {
    part[name] = name.startsWith("behind ") ? light.slice(starFrom, starTo) : light.slice(from, to);
  }
  return {facts: {...facts, rows: end - first}, layers: part, mask: mask ? mask.slice(from, to) : null};
}

function startWorker(source, band) {
  const address = URL.createObjectURL(new Blob([source], {type: "text/javascript"}));
  const worker = new Worker(address);
  const open = new Map();
  const end = (why) => {
    for (const {refuse} of open.values()) refuse(new Error(why));
    open.clear();
  };
  worker.onmessage = ({data}) => {
    const {settle} = open.get(data.id);
    open.delete(data.id);
    settle(data);
  };
  worker.onerror = (event) => {
    event.preventDefault();
    end(event.message || "a worker stopped");
  };
  const parts = [...Object.values(band.layers), ...(band.mask ? [band.mask] : [])];
  worker.postMessage({band}, parts.map((part) => part.buffer));
  return (job) => new Promise((settle, refuse) => {
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

// Paints with `count` workers, or in this thread where a browser starts none. `source` is the text of the engine.
function bandPainter(facts, layers, mask, source, count) {
  const edges = Array.from({length: count + 1}, (_, k) => Math.round(k * facts.rows / count));
  let ask = null, id = 0, spare = () => start(here);
  const start = (launch) => edges.slice(1).map((end, k) => (
    {from: 4 * edges[k] * facts.columns, memory: null, ask: launch(bandOf(facts, layers, mask, edges[k], end))}));
  const here = (band) => {
    const answer = bandServer(band);
    return (job) => Promise.resolve(answer(job));
  };
  try {
    ask = start((band) => startWorker(source + WORKER_TAIL, band));
  } catch {
    ask = spare();
  }
  const asked = (job) => Promise.all(ask.map((band) => {
    const {memory} = band;
    band.memory = null;
    return band.ask({...job, memory});
  }));
  async function answers(job) {
    try {
      return await asked(job);
    } catch (fault) {
      if (!spare) throw fault;
      ask = spare();
      return asked(job);
    } finally {
      // The layers are held here until the workers have shown that they work.
      spare = null;
    }
  }

  // Fills `bytes`, which has to be the same for one slot, and returns what was solved.
  async function paint(job, bytes) {
    id += 1;
    const made = await answers({...job, id});
    const failed = made.find(({fault}) => fault);
    if (failed) throw new RangeError(failed.fault);
    made.forEach(({part}, k) => {
      if (!part) return;
      bytes.set(part, ask[k].from);
      ask[k].memory = part.buffer;
    });
    return made[0].solved;
  }
  return {paint};
}
