// A driver's progress over a season: sessions chosen, put in order by the library, shown from the files it wrote.
import { call, cancel, el, inWords, lapTime, say, tell, work } from "./app.js";
import { keepFresh } from "./asking.js";

const at = (id) => document.getElementById(id);
let [sessions, tracks, found] = [[], [], []];
let shown = "";
let running = null;

const ESTIMATED = "estimated";
const trackOf = (one) => one.track && one.track !== ESTIMATED ? one.track : one.found?.track ?? "";
const titleOf = (one) => [one.day, one.title || one.recordings.map((file) => file.name).join(", ")].filter(Boolean).join(", ");

function choices(select, options) {
  const held = select.value;
  select.replaceChildren(...options.map(([value, text]) => el("option", { value }, text)));
  if (options.some(([value]) => value === held)) select.value = held;
}

function fill() {
  const drivers = [...new Set(sessions.map((one) => one.driver))].sort((a, b) => a.localeCompare(b));
  choices(at("driver"), drivers.map((one) => [one, one || "(no name typed)"]));
  fillTracks();
}

function fillTracks() {
  const theirs = sessions.filter((one) => one.driver === at("driver").value);
  const count = (name) => theirs.filter((one) => trackOf(one) === name).length;
  const known = tracks.map((one) => one.name).sort((a, b) => count(b) - count(a) || a.localeCompare(b));
  choices(at("track"), [...known.map((name) => [name, count(name) ? `${inWords(name)} (${count(name)})` : inWords(name)]), [ESTIMATED, "none of these: estimate it from the laps"]]);
  fillSessions();
}

function fillSessions() {
  const [driver, track] = [at("driver").value, at("track").value];
  const theirs = sessions.filter((one) => one.driver === driver && (trackOf(one) === track || trackOf(one) === "" || track === ESTIMATED));
  at("sessions").replaceChildren(...theirs.map((one) => {
    const sure = trackOf(one) === track || (track === ESTIMATED && trackOf(one) === "");
    const more = [one.kart, one.weather, one.tyres, sure ? "" : "track not known yet"].filter(Boolean).join(" · ");
    return el("li", {}, el("label", { className: "tick" }, el("input", { type: "checkbox", value: one.name, checked: sure }), ` ${titleOf(one)}`),
      ...(more ? [el("span", { className: "fine" }, more)] : []));
  }));
  at("no-match").hidden = theirs.length > 0;
  at("begin").disabled = !theirs.length;
  const earlier = found.find((one) => one.progress.about?.driver === driver && one.progress.about?.track === track);
  if (earlier) show(earlier);
  else at("found").hidden = true;
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
  at("failure").hidden = true;
  busy("reading");
  try {
    const body = { driver: at("driver").value, track: at("track").value, reverse: at("reverse").checked,
      sessions: [...at("sessions").querySelectorAll("input:checked")].map((one) => one.value) };
    const made = await work("/api/season", body, { begun: (job) => { running = job; }, onstep: busy });
    if (made) {
      found = await call("GET", "/api/seasons");
      show(found.find((one) => one.name === made.name));
      at("found-title").focus();
    } else say("Cancelled. Nothing was changed.");
  } catch (failure) {
    tell(failure, at("failure"));
  } finally {
    running = null;
    busy("");
  }
});

const spread = (figure) => (!figure || figure.value === null ? "–" : `${figure.value.toFixed(2)} ±${Math.max(1.96 * figure.sigma, 0.01).toFixed(2)}`);
const lap = (figure) => (!figure || figure.value === null ? "–" : `${lapTime(figure.value)} ±${Math.max(1.96 * figure.sigma, 0.01).toFixed(2)}`);

function table(venue) {
  const told = ["kart", "weather", "tyres", "note"].filter((name) => venue.sessions.some((one) => one[name]));
  const named = new Map(sessions.map((one) => [one.name, one]));
  const rows = venue.sessions.map((one) => {
    const session = named.get(one.recording);
    const day = one.start_utc.slice(0, one.dated_by === "given" ? 10 : 16).replace("T", " ");
    const work = one.tasks.length ? el("ul", { className: "plain-list" }, ...one.tasks.map((task) => el("li", {}, task.title))) : one.tasks_reason || "nothing stands out";
    return [[session ? el("a", { href: `/session/${one.recording}` }, day) : day, one.dated_by === "recording" ? "" : "*"],
      [String(one.laps)], [lap(one.best_s)], [lap(one.usual_lap_s)], [spread(one.spread_s)], [work], ...told.map((name) => [one[name] ?? "–"])];
  });
  const head = ["Date (UTC)", "Laps", "Best [s]", "Usual lap [s]", "Spread [s]", "To work on", ...told.map((name) => name[0].toUpperCase() + name.slice(1))];
  return el("div", { className: "scroll", tabIndex: 0, role: "region", ariaLabel: `Sessions on ${venue.track}` },
    el("table", { className: "sessions" }, el("thead", {}, el("tr", {}, ...head.map((text) => el("th", { scope: "col" }, text)))), el("tbody", {}, ...rows.map((cells) => el("tr", {},
      ...cells.map((content, k) => el("td", { className: k > 0 && k < 5 ? "number" : "", "data-label": head[k] }, ...content)))))));
}

function show(one) {
  if (!one) return;
  const { venues, skipped } = one.progress;
  const path = `/seasons/${one.name}`;
  at("found-title").textContent = venues.map((venue) => venue.track).join(", ");
  at("found-when").textContent = `Computed ${new Date(one.when * 1000).toLocaleString()}, kept in the folder progress/${one.name}.`;
  at("exports").replaceChildren(...[["progress.png", "Save picture (PNG)"], ["progress.svg", "Save picture (SVG)"], ["progress.json", "Save all figures (JSON)"]]
    .map(([file, text]) => el("a", { href: `${path}/${file}?save` }, text)));
  at("picture").src = `${path}/progress.svg?of=${one.when}`;
  at("picture").alt = `Best and usual laps by date: ${venues.map((venue) => `${venue.track}, ${venue.sessions.map((row) => lapTime(row.best_s.value)).join(", ")} s`).join("; ")}. The table has the figures.`;
  at("picture-link").href = `${path}/progress.png`;
  at("venues").replaceChildren(...venues.flatMap((venue) => {
    const karts = new Set(venue.sessions.map((row) => row.kart ?? ""));
    const stars = venue.sessions.some((row) => row.dated_by !== "recording");
    const [head, ...rest] = venue.open ?? [];
    return [el("h3", {}, venue.track), table(venue),
      ...(stars ? [el("p", { className: "fine" }, "* The recording does not say when it was made: the day typed in the session.")] : []),
      ...(karts.size > 1 ? [el("p", {}, "Not all with one kart: times differ by the kart as well as by the driver.")] : []),
      ...(head ? [el("p", {}, el("strong", {}, head.replace(/^Open after [^:]+:/, "Still open after the latest session:"))), el("ul", {}, ...rest.map((text) => el("li", {}, text.replace(/^- /, ""))))] : [])];
  }));
  at("skipped").hidden = !skipped.length;
  at("skipped-list").replaceChildren(...skipped.map((row) => el("li", {}, `${row.recording}: ${row.reason}`)));
  at("found").hidden = false;
}

async function load() {
  if (running !== null) return;
  try {
    const all = await Promise.all([call("GET", "/api/sessions"), call("GET", "/api/tracks"), call("GET", "/api/seasons")]);
    const now = JSON.stringify(all);
    if (now === shown) return;
    shown = now;
    [sessions, tracks, found] = all;
    at("none").hidden = sessions.length > 0;
    at("choosing").hidden = sessions.length === 0;
    fill();
    at("failure").hidden = true;
  } catch (failure) {
    tell(failure, at("failure"));
  }
}

at("driver").addEventListener("change", fillTracks);
at("track").addEventListener("change", fillSessions);
at("asking").addEventListener("submit", (event) => event.preventDefault());
keepFresh(load);
load();
