// The list of sessions: searched, filtered, renamed, removed and put back; damaged ones and recordings put in by hand.
import { call, el, lapTime, say, tell } from "./app.js";
import { askSure, askText, changed, keepFresh } from "./asking.js";
import { takeDropped } from "./drop.js";

const at = (id) => document.getElementById(id);
let known = null;

/** A session's track by its name in the library; of one that nobody surveyed a track for, none. */
const trackOf = (one) => (one.track && one.track !== "estimated" ? one.track : one.found?.track ?? "");
/** What a track is called: by its own title where a review has read it. */
const called = (track) => known.sessions.find((one) => one.found && !one.found.estimated && trackOf(one) === track)?.found.title ?? track;
const titleOf = (one) => one.title || [called(trackOf(one)) || one.recordings[0]?.name, one.driver].filter(Boolean).join(", ");

function show() {
  if (!known) return;
  const words = at("search").value.toLowerCase().split(/\s+/).filter(Boolean);
  const [driver, track] = [at("of-driver").value, at("of-track").value];
  const found = known.sessions.filter((one) => {
    const text = [one.title, one.name, one.driver, one.track, one.kart, one.weather, one.tyres, one.notes, one.day, one.found?.title,
      ...one.recordings.map((file) => file.name)].join(" ").toLowerCase();
    return words.every((word) => text.includes(word)) && (!driver || one.driver === driver) && (!track || trackOf(one) === track);
  });
  const narrowed = words.length || driver || track;
  at("sessions").replaceChildren(...known.damaged.map(damagedCard), ...found.map(card));
  at("none").hidden = known.sessions.length + known.damaged.length > 0;
  at("finding").hidden = known.sessions.length < 2;
  at("count").textContent = narrowed ? `${found.length} of ${known.sessions.length}` : `${known.sessions.length} sessions`;
  at("nothing").hidden = !narrowed || found.length > 0;
}

function card(one) {
  const state = one.found ? `best ${lapTime(one.found.best)} s of ${one.found.laps} ${one.found.laps === 1 ? "lap" : "laps"}` : "not reviewed yet";
  const about = one.title ? [called(trackOf(one)), one.driver].filter(Boolean).join(", ") : "";
  const lines = [about, [one.day, state].filter(Boolean).join(" · "), one.found?.work_on?.[0],
    [one.kart, one.weather, one.tyres].filter(Boolean).join(" · ")].filter(Boolean);
  return el("li", { id: `session-${one.name}` },
    el("h3", {}, el("a", { href: `/session/${one.name}` }, titleOf(one))),
    ...lines.map((line) => el("span", { className: "fine" }, line)),
    el("p", { className: "row acts" },
      el("button", { type: "button", className: "plain", ariaLabel: `Rename ${titleOf(one)}`, onclick: () => rename(one) }, "Rename"),
      el("button", { type: "button", className: "plain", ariaLabel: `Remove ${titleOf(one)}`, onclick: () => remove(one.name, titleOf(one)) }, "Remove")));
}

function damagedCard(one) {
  const act = (text, does) => el("button", { type: "button", onclick: does }, text);
  return el("li", { className: "failure", id: `session-${one.name}` },
    el("h3", {}, one.name),
    el("strong", {}, `${one.where}: ${one.what}.`),
    el("span", {}, `${one.remedy}.`),
    el("p", { className: "row acts" },
      act("Start it anew", () => done(call("POST", `/api/sessions/${one.name}/anew`), "Started anew. The damaged file is kept beside it.")),
      act("Remove", () => remove(one.name, one.name))));
}

/** Wait for a change, say that it is made, and show the list as it is then. */
async function done(request, text, undo) {
  try {
    const answer = await request;
    say(text, undo && (() => undo(answer)));
    changed();
    return answer;
  } catch (failure) {
    tell(failure.status === 409 ? { what: "this session was changed in another window", remedy: "The list now shows it as it is; try again" } : failure);
    return null;
  } finally {
    await load();
  }
}

async function rename(one) {
  const title = await askText("Name of this session", one.title || titleOf(one), { says: "Its folder gets the day and this name. Empty: track and driver are its name again.", button: "Rename" });
  if (title !== null && title !== one.title) {
    const made = await done(call("POST", `/api/sessions/${one.name}/rename`, { title, revision: one.revision }), "Renamed.");
    if (made) return focusOn(`session-${made.name}`);
  }
  focusOn(`session-${one.name}`);
}

async function remove(name, title) {
  const after = at(`session-${name}`)?.nextElementSibling?.id;
  const put = ({ word }) => done(call("POST", `/api/removed/${word}/restore`), "Put back.");
  await done(call("POST", `/api/sessions/${name}/remove`), `${title} was removed.`, put);
  focusOn(after);
}

/** Where the keyboard goes on after a change: the card that took the place, or the search. */
function focusOn(id) {
  ((id && at(id)?.querySelector("a, button")) || at("search")).focus();
}

function showOffered() {
  at("offered-part").hidden = !known.offered.length;
  at("all-in").hidden = known.offered.length < 2;
  at("offered").replaceChildren(...known.offered.map((one) => el("li", {},
    el("strong", {}, one.name),
    el("span", { className: "fine" }, one.session ? "a session whose folder has a name of somebody's own; it gets a plain one"
      : one.files.length ? `a folder with ${one.files.join(", ")}` : "a file"),
    el("p", { className: "row acts" }, el("button", { type: "button", ariaLabel: `Take in ${one.name}`, onclick: () => takeIn([one]) }, "Take in")))));
}

async function takeIn(offers) {
  for (const one of offers) {
    const made = await done(call("POST", "/api/library/take-in", { word: one.word }), `${one.name} is a session now.`);
    if (!made) return;
  }
}

function showRemoved() {
  at("removed-part").hidden = !known.removed.length;
  at("removed-count").textContent = `Removed (${known.removed.length})`;
  at("removed").replaceChildren(...known.removed.map((one) => el("li", {},
    el("strong", {}, one.name),
    el("span", { className: "fine" }, `${one.kind}, removed ${new Date(one.when).toLocaleString()}`),
    el("p", { className: "row acts" }, el("button", { type: "button", ariaLabel: `Put back ${one.name}`, onclick: () => done(call("POST", `/api/removed/${one.word}/restore`), "Put back.") }, "Put back")))));
}

at("empty").addEventListener("click", async () => {
  const count = known.removed.length;
  if (await askSure(`Delete ${count === 1 ? "what was removed" : `all ${count} things that were removed`}? This cannot be undone.`, "Delete")) {
    await done(call("POST", "/api/removed/empty"), "Deleted.");
  }
});
at("all-in").addEventListener("click", () => takeIn([...known.offered]));

function choices(select, word, values, text = (value) => value) {
  const held = select.value;
  const options = [...new Set(values.filter(Boolean))].map((value) => [value, text(value)]).sort((a, b) => a[1].localeCompare(b[1]));
  select.replaceChildren(el("option", { value: "" }, word), ...options.map(([value, shown]) => el("option", { value }, shown)));
  select.value = values.includes(held) ? held : "";
}

async function load() {
  try {
    const found = await call("GET", "/api/library");
    at("failure").hidden = true;
    if (JSON.stringify(found) === JSON.stringify(known)) return; // the keyboard stays where it is
    known = found;
  } catch (failure) {
    tell(failure, at("failure"));
    return;
  }
  choices(at("of-driver"), "all drivers", known.sessions.map((one) => one.driver));
  choices(at("of-track"), "all tracks", known.sessions.map(trackOf), called);
  show();
  showOffered();
  showRemoved();
}

for (const id of ["search", "of-driver", "of-track"]) at(id).addEventListener("input", show);
takeDropped(load);
keepFresh(load);
load();
