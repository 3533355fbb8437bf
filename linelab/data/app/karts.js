// The list of karts, and a kart fitted to a session.
import { call, cancel, el, follow, say, tell, units, work } from "./app.js";
import { changed, keepFresh } from "./asking.js";
import { drivePicture, ggPicture } from "./kart_picture.js";

const at = (id) => document.getElementById(id);
let shown = "";
let fitted = null;
let running = null;

function card(one) {
  const address = `/kart/${encodeURIComponent(one.name)}`;
  return el("li", { className: one.fault ? "failure" : "", id: `kart-${one.name}` },
    el("h3", {}, one.fault ? one.title : el("a", { href: address }, one.title)),
    ...(one.fault ? [el("strong", {}, `${one.fault}.`), el("span", {}, `Mend karts/${one.name}.toml in a text editor, or remove it.`)] : [el("span", { className: "fine" }, one.says)]),
    ...(one.bundled ? [] : [el("p", { className: "row acts" },
      el("button", { type: "button", className: "plain", ariaLabel: `Remove ${one.title}`, onclick: () => remove(one) }, "Remove"))]));
}

async function remove(one) {
  const undo = async (word) => {
    try {
      await call("POST", `/api/removed/${word}/restore`);
      say("Put back.");
      changed();
      await load();
    } catch (failure) {
      tell(failure);
    }
  };
  try {
    const { word } = await call("POST", `/api/karts/${encodeURIComponent(one.name)}/remove`);
    say(`${one.title} was removed.`, () => undo(word));
    changed();
  } catch (failure) {
    tell(failure);
  }
  await load();
  (at("own").querySelector("a, button") ?? at("bundled").querySelector("a"))?.focus();
}

async function load() {
  try {
    const [karts, sessions] = await Promise.all([call("GET", "/api/kart-list"), call("GET", "/api/sessions")]);
    const now = JSON.stringify([karts, sessions]);
    if (now === shown) return;
    shown = now;
    const own = karts.filter((one) => !one.bundled);
    at("own").replaceChildren(...own.map(card));
    at("bundled").replaceChildren(...karts.filter((one) => one.bundled).map(card));
    at("none").hidden = own.length > 0;
    at("no-session").hidden = sessions.length > 0;
    at("fitting").hidden = sessions.length === 0;
    choices(at("of-session"), sessions.map((one) => [one.name, one.title || [one.found?.title || one.track, one.driver, one.day].filter(Boolean).join(", ") || one.name]));
    choices(at("from-kart"), [["", "the nearest class"], ...karts.filter((one) => !one.fault).map((one) => [one.name, one.title])]);
    at("failure").hidden = true;
  } catch (failure) {
    tell(failure, at("failure"));
  }
}

function choices(select, options) {
  const held = select.value;
  select.replaceChildren(...options.map(([value, text]) => el("option", { value }, text)));
  if (options.some(([value]) => value === held)) select.value = held;
}

function busy(text) {
  at("waiting").hidden = at("cancel").hidden = !text;
  at("begin").disabled = Boolean(text);
  at("step").textContent = text;
}

at("cancel").addEventListener("click", async () => {
  if (running !== null) await cancel(running).catch(() => {});
});

at("begin").addEventListener("click", async () => {
  at("fit-failure").hidden = at("fitted").hidden = true;
  const label = at("of-session").selectedOptions[0].textContent;
  busy("reading");
  try {
    const body = { session: at("of-session").value, kart: at("from-kart").value, units: units() };
    const found = await work("/api/kart/fit", body, { begun: (job) => { running = job; }, onstep: busy });
    if (found) show(found, label);
    else say("Cancelled.");
  } catch (failure) {
    tell(failure, at("fit-failure"));
  } finally {
    running = null;
    busy("");
  }
});

function show(found, label) {
  fitted = found;
  at("fitted-says").textContent = found.words[0];
  at("plus-minus").textContent = found.words[1];
  at("figures").replaceChildren(...found.figures.map((one) => el("tr", {}, el("td", {}, one.label), el("td", {}, one.value),
    el("td", {}, one.from === "recordings" ? "the laps" : "mostly the kart it started from"))));
  at("fitted-pictures").replaceChildren(drivePicture(found.picture), ggPicture(found.picture));
  at("fitted-name").value = `Fitted, ${label}`.slice(0, 80);
  at("fitted").hidden = false;
  at("fitted-title").focus();
}

at("keep").addEventListener("submit", async (event) => {
  event.preventDefault();
  const title = at("fitted-name").value.trim();
  at("fit-failure").hidden = true;
  try {
    const { job } = await call("POST", "/api/kart/save", { title, revision: "", text: fitted.text, table: { ...fitted.table, name: title } });
    const answer = await follow(job);
    if (answer?.saved) {
      changed();
      location.href = `/kart/${encodeURIComponent(answer.saved.name)}`;
    } else if (answer?.stale) tell({ what: "there is a kart of this name already", remedy: "Type another name" }, at("fit-failure"));
    else if (answer?.faults) tell({ what: answer.faults.map((one) => `${one.field}: ${one.what}`).join("; ") }, at("fit-failure"));
    else tell({ what: "another window was saving", remedy: "Press the button again" }, at("fit-failure"));
  } catch (failure) {
    tell(failure, at("fit-failure"));
  }
});
at("fit").addEventListener("submit", (event) => event.preventDefault());

keepFresh(load);
load();
