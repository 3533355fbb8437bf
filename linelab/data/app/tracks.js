// The list of tracks and unfinished drawings, and the way to a drawing of each.
import { call, el, follow, say, svg, tell, units, work } from "./app.js";

const at = (id) => document.getElementById(id);

at("new").addEventListener("submit", async (event) => {
  event.preventDefault();
  try {
    const { name } = await call("POST", "/api/drawings", { title: at("title").value.trim() });
    location.href = `/draw/${name}`;
  } catch (failure) {
    tell(failure);
  }
});

async function open(card, button) {
  button.disabled = true;
  try {
    const begun = await call("POST", "/api/drawings/of", { track: card.name });
    const found = begun.name ? begun : await follow(begun.job);
    if (found) location.href = `/draw/${found.name}`;
  } catch (failure) {
    tell(failure);
  }
  button.disabled = false;
}

async function remove(card) {
  try {
    const { word } = await call("POST", `/api/${card.unfinished ? "drawings" : "tracks"}/${card.name}/remove`);
    say(`${card.title} was removed.`, () => call("POST", `/api/removed/${word}/restore`).then(load, tell));
    await load();
    at("title").focus();
  } catch (failure) {
    tell(failure);
  }
}

function about(card) {
  if (card.fault) return card.fault;
  if (card.unfinished) return "A drawing, not saved as a track yet";
  const way = card.direction === "open" ? "from start to finish" : card.direction;
  return `${card.length}, ${card.corners} corners, ${way}`;
}

function button(card) {
  const word = card.unfinished ? "Go on drawing" : card.bundled ? "Draw on a copy" : "Change";
  const made = el("button", { type: "button", onclick: () => (card.drawn ? (location.href = `/draw/${card.name}`) : open(card, made)) }, word);
  made.setAttribute("aria-label", `${word}: ${card.title}`);
  return made;
}

function shown(card) {
  const picture = card.outline
    ? svg("svg", { viewBox: card.view, class: "outline", role: "img", "aria-label": `Outline of ${card.title}` },
      ...card.outline.map((path) => svg("path", { d: path })))
    : el("div", { className: "outline" });
  const kind = card.bundled ? "comes with linelab" : card.estimated ? "edges not surveyed" : "";
  return el("li", { className: "track" }, picture,
    el("h3", {}, card.title),
    el("span", { className: "fine" }, about(card)),
    ...(card.remedy ? [el("span", { className: "fine" }, `${card.remedy}.`)] : []),
    ...(kind ? [el("span", { className: "fine" }, kind)] : []),
    el("p", { className: "row" }, ...(card.fault && !card.drawn ? [] : [button(card)]),
      ...(!card.bundled ? [el("button", { type: "button", className: "plain", onclick: () => remove(card), ariaLabel: `Remove: ${card.title}` }, "Remove")] : [])));
}

async function load() {
  try {
    const cards = await work("/api/tracks/cards", { units: units() });
    if (cards === null) return;
    at("cards").replaceChildren(...cards.map(shown));
    at("waiting").hidden = true;
  } catch (failure) {
    tell(failure, at("waiting"));
  }
}
document.addEventListener("units", load);
load();
