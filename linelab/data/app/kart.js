// One kart: its fields changed, what they make of it drawn after each change, and saved.
import { call, el, follow, say, tell, units } from "./app.js";
import { askText, changed, keepFresh } from "./asking.js";
import { KartForm } from "./kart_fields.js";
import { drivePicture, ggPicture } from "./kart_picture.js";

const at = (id) => document.getElementById(id);
const name = decodeURIComponent(location.pathname.split("/").pop());
let opened = null;
let table = null;
let saved = null;
let before = null;
let past = [];
let future = [];
let editing = null;
let asked = 0;

const form = new KartForm(at("form"), { change });
at("form").addEventListener("submit", (event) => event.preventDefault());

const same = (one, other) => JSON.stringify(one) === JSON.stringify(other);

/** Work in the kept process; another window's work may push one out that has not begun: it is asked for again. */
async function worked(path, body) {
  for (let turn = 0; turn < 50; turn += 1) {
    const { job } = await call("POST", path, body);
    const found = await follow(job);
    if (found) return found;
    await new Promise((done) => setTimeout(done, 100));
  }
  throw new Error("another window keeps the app busy");
}

function change(made, field, ended) {
  if (editing !== field) past.push(table);
  editing = ended ? null : field;
  if (same(made, past.at(-1))) past.pop();
  future = [];
  table = made;
  state();
  look();
}

let looking = false;
let again = false;

/** Check and draw what stands in the form; while one answer is on its way the latest change waits, those between go. */
async function look() {
  if (looking) { again = true; return; }
  looking = true;
  try {
    do {
      again = false;
      const turn = (asked += 1);
      const found = await worked("/api/kart/look", { table, units: units() });
      if (turn === asked && !again) draw(found);
    } while (again);
  } catch (failure) {
    fail("form", failure);
  } finally {
    looking = false;
  }
}

/** Say what failed; what the form says goes when the form is right again, what a save said stays until the next. */
function fail(of, failure) {
  tell(failure, at("failure"));
  at("failure").dataset.of = of;
}

function draw({ faults, picture, words }) {
  const rest = form.faults(faults);
  const count = faults.length;
  at("wrong").textContent = count ? `${count === 1 ? "One field" : `${count} fields`} to correct` : "";
  at("wrong").className = count ? "fault" : "";
  at("save").disabled = at("save-as").disabled = count > 0;
  if (rest.length) fail("form", { what: rest.map((one) => `${one.field}: ${one.what}`).join("; ") });
  else if (at("failure").dataset.of === "form") at("failure").hidden = true;
  at("pictures").classList.toggle("old", !picture);
  if (!picture) return;
  const ghost = (part) => (before && !same(before[part], picture[part]) ? before : null);
  at("pictures").replaceChildren(
    el("p", { className: "old-says" }, "Drawn from the last values that were right."),
    drivePicture(picture, ghost("drive")), ggPicture(picture, ghost("gg")),
    el("ul", { className: "plain-list" }, ...words.map((one) => el("li", {}, one))),
    el("p", { className: "fine" }, "Flat ground, still air, warm dry tyres. Computed from these values, not measured."));
}

function state() {
  const own = opened && !opened.bundled;
  const dirty = !same(table, saved);
  at("title").textContent = table.name || opened.name;
  document.title = `${table.name || opened.name}, linelab`;
  at("state").textContent = own ? (dirty ? "Changed, not saved yet." : "Saved.") : "Comes with linelab. Change it as you like and save it as a kart of yours.";
  at("save").hidden = !own;
  at("save-as").textContent = own ? "Save as another kart" : "Save as a kart of yours";
  at("save-as").classList.toggle("main", !own);
  at("undo").disabled = !past.length;
  at("redo").disabled = !future.length;
}

function step(from, to) {
  if (!from.length) return;
  to.push(table);
  table = from.pop();
  editing = null;
  form.show(opened.form, opened.starts, table);
  state();
  look();
}

at("save").addEventListener("click", () => save());
at("save-as").addEventListener("click", () => saveAs());
at("undo").addEventListener("click", () => step(past, future));
at("redo").addEventListener("click", () => step(future, past));
document.addEventListener("keydown", (event) => {
  if (!(event.ctrlKey || event.metaKey) || !opened) return;
  const typing = event.target.matches("input:not([type=checkbox]), textarea");
  if (event.key === "s") {
    event.preventDefault();
    if (!at("save").disabled) (opened.bundled ? saveAs : save)();
  } else if (event.key === "z" && !typing) {
    event.preventDefault();
    if (event.shiftKey) step(future, past);
    else step(past, future);
  }
});

async function save() {
  const made = structuredClone(table);
  const answer = await saving({ title: opened.name, revision: opened.revision, table: made });
  if (answer?.saved) {
    Object.assign(opened, answer.saved);
    saved = made;
    before = null;
    say("Saved.");
    changed();
    state();
    look().then(async () => { before = (await worked("/api/kart/look", { table: saved, units: units() })).picture; });
  } else if (answer?.stale) stale(answer.stale);
}

async function saveAs() {
  const taken = opened.bundled ? `My ${table.name.charAt(0).toLowerCase()}${table.name.slice(1)}` : `${table.name}, another`;
  const title = await askText("Name of the kart", taken, { says: "It is kept as a file in the folder \"karts\".", button: "Save" });
  if (!title) return;
  const answer = await saving({ title, revision: "", table: { ...table, name: title } });
  if (answer?.saved) {
    saved = table;
    changed();
    location.href = `/kart/${encodeURIComponent(answer.saved.name)}`;
  } else if (answer?.stale) fail("save", { what: `there is a kart of the name ${title} already`, remedy: "Choose another name" });
}

async function saving(body) {
  try {
    at("failure").hidden = true;
    const answer = await worked("/api/kart/save", { ...body, text: opened.text });
    if (answer.faults) draw({ faults: answer.faults, picture: null, words: [] });
    return answer;
  } catch (failure) {
    fail("save", failure);
    return null;
  }
}

/** Somebody else has saved: the user chooses whose values go on. */
function stale({ revision }) {
  const place = at("failure");
  fail("save", { what: revision ? "this kart was saved in another window since you opened it" : "this kart was removed in another window",
    remedy: "Nothing of yours is lost: your values stand below" });
  place.append(el("p", { className: "row" },
    ...(revision ? [el("button", { type: "button", onclick: () => { saved = table; location.reload(); } }, "Take what was saved there")] : []),
    el("button", { type: "button", onclick: saveAs }, "Save mine as another kart")));
}

window.addEventListener("beforeunload", (event) => {
  if (opened && !same(table, saved)) event.preventDefault();
});

async function open() {
  try {
    const found = await worked(`/api/karts/${encodeURIComponent(name)}/open`, { units: units() });
    const fresh = opened === null;
    opened = found;
    if (fresh) [table, saved] = [found.table, found.table];
    at("opening").hidden = true;
    at("kart").hidden = false;
    form.show(found.form, found.starts, table);
    state();
    before = found.picture;
    if (same(table, found.table)) draw(found);
    else await look();
  } catch (failure) {
    at("opening").hidden = true;
    fail("open", failure);
  }
}

/** Another window may have saved this kart: with nothing typed here it is shown as it is now. */
async function fresh() {
  if (!opened || !same(table, saved)) return;
  const [there, dirty] = [opened.revision, () => !same(table, saved)];
  try {
    const found = await worked(`/api/karts/${encodeURIComponent(name)}/open`, { units: units() });
    if (found.revision === there || dirty()) return;
    [opened, past, future, editing] = [null, [], [], null];
    await open();
    say("Saved in another window. This page shows it as it is now.");
  } catch {
    // It was removed, or the app has ended: a save will say so.
  }
}

document.addEventListener("units", open);
keepFresh(fresh);
open();
