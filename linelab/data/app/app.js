// What all pages of the app share: requests with the key, work followed step by step, what is said to the user.

const KEY = document.querySelector('meta[name="linelab-key"]').content;

/** An element with properties (attributes where there is no such property) and children. */
export function el(tag, properties = {}, ...children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(properties)) {
    if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else if (name in made && name !== "list") made[name] = value;
    else made.setAttribute(name, value);
  }
  made.append(...children);
  return made;
}

/** An SVG element with attributes. */
export function svg(tag, attributes = {}, ...children) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  made.append(...children);
  return made;
}

/** Why something failed, in three parts; ``status`` is the answer's. */
export class Failure extends Error {
  constructor({ what, where = "", remedy = "" }, status = 0) {
    super(what);
    Object.assign(this, { what, where, remedy, status });
  }
}

const LOST = { what: "the app does not answer", remedy: "See that 'linelab app' still runs, and load this page again" };

async function answered(request) {
  let answer;
  try {
    answer = await request;
  } catch {
    throw new Failure(LOST);
  }
  if (answer.ok) return answer;
  const text = await answer.text();
  let parts;
  try {
    parts = JSON.parse(text);
  } catch {
    parts = { what: text.trim() || `the app answered ${answer.status}` };
  }
  const failure = new Failure(parts, answer.status);
  failure.revision = parts.revision;
  throw failure;
}

/** A request of the app's own: method, path, and an object to send; gives the object in the answer. */
export async function call(method, path, body) {
  const options = { method, headers: { "X-Linelab-Key": KEY } };
  if (body !== undefined) {
    options.body = JSON.stringify(body);
    options.headers["Content-Type"] = "application/json";
  }
  return (await answered(fetch(path, options))).json();
}

/** Send a file as it is; ``shown`` is called with the share sent. */
export function send(file, shown = () => {}) {
  return new Promise((resolve, reject) => {
    const request = new XMLHttpRequest();
    request.open("POST", "/api/recordings");
    request.setRequestHeader("X-Linelab-Key", KEY);
    request.setRequestHeader("X-File-Name", encodeURIComponent(file.name));
    request.upload.onprogress = (event) => event.lengthComputable && shown(event.loaded / event.total);
    request.onerror = () => reject(new Failure(LOST));
    request.onload = () => {
      let body = {};
      try {
        body = JSON.parse(request.responseText);
      } catch {
        body = { what: request.responseText.trim() || `the app answered ${request.status}` };
      }
      if (request.status === 200) resolve(body.file);
      else reject(new Failure(body, request.status));
    };
    request.send(file);
  });
}

/** Keep a file at an address of the app; gives the object in the answer. */
export async function keepFile(path, file) {
  const headers = { "X-Linelab-Key": KEY, "X-File-Name": encodeURIComponent(file.name) };
  return (await answered(fetch(path, { method: "PUT", headers, body: file }))).json();
}

/** Follow a piece of work to its end: gives what it found, throws a Failure, or null where it was cancelled. */
export async function follow(job, onstep = () => {}) {
  const options = { method: "POST", headers: { "X-Linelab-Key": KEY } };
  const reader = (await answered(fetch(`/api/jobs/${job}/follow`, options))).body.getReader();
  const decoder = new TextDecoder();
  let rest = "";
  for (;;) {
    let piece;
    try {
      piece = await reader.read();
    } catch {
      throw new Failure(LOST);
    }
    if (piece.done) throw new Failure(LOST);
    const lines = (rest + decoder.decode(piece.value, { stream: true })).split("\n");
    rest = lines.pop();
    for (const line of lines.filter(Boolean)) {
      const event = JSON.parse(line);
      if ("step" in event) onstep(event.step);
      else if ("done" in event) return event.done;
      else if ("failed" in event) throw new Failure(event.failed);
      else if ("cancelled" in event) return null;
    }
  }
}

/** Start work by a request and follow it; ``begun`` is called with its number. */
export async function work(path, body, { onstep, begun } = {}) {
  const { job } = await call("POST", path, body);
  begun?.(job);
  return follow(job, onstep);
}

export const cancel = (job) => call("POST", `/api/jobs/${job}/cancel`);

/** Say something for a while, with a button to take it back where there is one. */
export function say(text, undo) {
  const line = el("div", {}, text);
  const leave = setTimeout(() => line.remove(), undo ? 12000 : 5000);
  if (undo) {
    line.append(el("button", { type: "button", onclick: () => { clearTimeout(leave); line.remove(); undo(); } }, "Undo"));
  }
  document.getElementById("said").append(line);
}

/** What failed, written into a place of the page, or said where there is none. */
export function tell(failure, place) {
  const { what = String(failure), where = "", remedy = "" } = failure;
  const head = (where ? `${where}: ` : "") + what;
  if (!place) return say(`${head}. ${remedy}`);
  place.replaceChildren(el("strong", {}, `${head}.`), ...(remedy ? [/[.?!]$/.test(remedy) ? remedy : `${remedy}.`] : []));
  place.hidden = false;
  place.scrollIntoView({ block: "nearest" });
}

/** A file's name as words: ostrelle_sprint is Ostrelle sprint. */
export function inWords(name) {
  const words = name.replace(/[_-]+/g, " ").trim();
  return words.charAt(0).toUpperCase() + words.slice(1);
}

/** A lap time: 51.23, or 1:05.20 from a minute on. */
export function lapTime(seconds) {
  if (seconds === null || seconds === undefined) return "";
  const minutes = Math.floor(seconds / 60);
  const rest = (seconds - 60 * minutes).toFixed(2);
  return minutes ? `${minutes}:${rest.padStart(5, "0")}` : rest;
}

/** Units that the user wants to see: "metric" or "imperial". */
export const units = () => stored("units") ?? "metric";

function stored(name) {
  try {
    return localStorage.getItem(`linelab-${name}`);
  } catch {
    return null;
  }
}

function store(name, value) {
  try {
    localStorage.setItem(`linelab-${name}`, value);
  } catch {
    // A browser that keeps nothing: the choice holds for this page.
  }
}

const chooser = document.getElementById("shown-units");
chooser.value = units();
chooser.addEventListener("change", () => {
  store("units", chooser.value);
  document.dispatchEvent(new CustomEvent("units", { detail: chooser.value }));
});

const light = document.getElementById("light");
function showTheme(theme) {
  if (theme) document.documentElement.dataset.theme = theme;
  const dark = theme ? theme === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
  light.textContent = dark ? "Light" : "Dark";
  light.onclick = () => {
    store("theme", dark ? "light" : "dark");
    showTheme(dark ? "light" : "dark");
  };
}
showTheme(stored("theme"));
