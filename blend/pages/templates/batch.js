const find = (id) => document.getElementById(id), list = find("cards"), cards = [...list.children];
const by = find("by"), order = find("order"), dialog = find("pair");
const valuesOf = new Map(cards.map((card) => [card, JSON.parse(card.dataset.values)]));
let ticked = [], smallest = false;

function arrange() {
  const label = document.querySelector("input[name=show]:checked").value, key = by.value;
  const plain = key === "urgency" || key === "name";
  order.hidden = plain;
  order.textContent = smallest ? "smallest first" : "largest first";
  const compare = (a, b) => {
    if (key === "urgency") return a.dataset.number - b.dataset.number;
    if (key === "name") return a.dataset.name.localeCompare(b.dataset.name, undefined, { numeric: true });
    const x = valuesOf.get(a)[key] ?? null, y = valuesOf.get(b)[key] ?? null;
    // What was not measured stands last, whichever way the rest goes.
    if (x === null || y === null) return (x === null) - (y === null) || a.dataset.number - b.dataset.number;
    return (smallest ? x - y : y - x) || a.dataset.number - b.dataset.number;
  };
  list.append(...[...cards].sort(compare));
  let shown = 0;
  for (const card of cards) {
    card.hidden = label !== "" && card.dataset.label !== label;
    shown += card.hidden ? 0 : 1;
  }
  find("none").hidden = shown > 0;
  find("shown").textContent = `${shown} of ${cards.length} shown`;
}

function tell() {
  const names = ticked.map((card) => card.dataset.name);
  find("ticked").textContent = ["Tick two pictures to put them side by side.", `${names[0]} is ticked: tick one more.`,
    `${names.join(" and ")} are ticked.`][names.length];
  find("both").disabled = names.length < 2;
  find("untick").disabled = names.length === 0;
  for (const card of cards) {
    const box = card.querySelector(".tick");
    if (box) box.checked = ticked.includes(card);
  }
}

const made = (tag, text) => Object.assign(document.createElement(tag), { textContent: text });

function showPair() {
  find("pair-title").textContent = ticked.map((card) => card.dataset.name).join(" beside ");
  dialog.querySelector(".two").replaceChildren(...ticked.map((card) => {
    const figure = made("figure", ""), link = made("a", ""), caption = made("figcaption", "");
    const picture = card.querySelector("img").cloneNode(), word = card.querySelector(".word").cloneNode(true);
    picture.loading = "eager";
    link.href = card.querySelector("a").href;
    link.append(picture);
    caption.append(made("strong", card.dataset.name), " ", word);
    figure.append(link, caption);
    return figure;
  }));
  const texts = ticked.map((card) => [...card.querySelectorAll("dl.numbers dt")].map((what) => [what.textContent, what.nextElementSibling.textContent]));
  const names = [...new Set(texts.flat().map(([what]) => what))];
  const row = (cells, head) => {
    const line = made("tr", "");
    line.append(...cells.map((text, index) => {
      const cell = made(head || index === 0 ? "th" : "td", text);
      if (head || index === 0) cell.scope = head ? "col" : "row";
      return cell;
    }));
    return line;
  };
  dialog.querySelector("thead").replaceChildren(row(["number", ...ticked.map((card) => card.dataset.name)], true));
  dialog.querySelector("tbody").replaceChildren(...names.map((what) => row([what, ...texts.map((pairs) => new Map(pairs).get(what) ?? "-")], false)));
  dialog.showModal();
}

for (const part of document.querySelectorAll(".controls, .controls-tick")) part.hidden = false;
for (const input of document.querySelectorAll("input[name=show]")) input.addEventListener("change", arrange);
by.addEventListener("change", () => {
  // Each number opens at its worse end: little exposure gained, much of anything else.
  smallest = by.value === "exposure_factor" || by.value === "line_contrast";
  arrange();
});
order.addEventListener("click", () => { smallest = !smallest; arrange(); });
list.addEventListener("change", (event) => {
  const card = event.target.closest("li.card");
  if (!event.target.classList.contains("tick")) return;
  // A third picture takes the place of the first.
  ticked = event.target.checked ? [...ticked, card].slice(-2) : ticked.filter((one) => one !== card);
  tell();
});
find("both").addEventListener("click", showPair);
find("untick").addEventListener("click", () => { ticked = []; tell(); });
find("close").addEventListener("click", () => dialog.close());
find("scheme").addEventListener("change", (event) => { document.documentElement.dataset.scheme = event.target.checked ? "red" : ""; });
for (const link of document.querySelectorAll(".sums a")) link.addEventListener("click", () => {
  // A link leads to its card, also where the filter has hidden it.
  document.querySelector("input[name=show][value='']").checked = true;
  arrange();
});
// Back and reload bring the controls as they were, after the script has run.
addEventListener("pageshow", () => { ticked = cards.filter((card) => card.querySelector(".tick:checked")).slice(-2); arrange(); tell(); });
arrange();
tell();
document.documentElement.dataset.ready = "yes";
