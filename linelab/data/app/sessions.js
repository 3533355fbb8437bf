import { call, el, lapTime, say, send, tell, work } from "./app.js";

const drop = document.getElementById("drop");
const input = document.getElementById("files");
const arriving = document.getElementById("arriving");
const list = document.getElementById("sessions");
const search = document.getElementById("search");
let known = [];

document.getElementById("choose").addEventListener("click", () => input.click());
input.addEventListener("change", () => receive([...input.files]));
for (const [name, over] of [["dragenter", true], ["dragover", true], ["dragleave", false], ["drop", false]]) {
  document.addEventListener(name, (event) => {
    event.preventDefault();
    drop.classList.toggle("over", over);
  });
}
document.addEventListener("drop", (event) => receive([...(event.dataTransfer?.files ?? [])]));

async function receive(files) {
  if (!files.length) return;
  arriving.replaceChildren();
  const words = [];
  for (const file of files) {
    const bar = el("progress", { max: 1, value: 0 });
    const row = el("p", {}, file.name, bar);
    arriving.append(row);
    try {
      words.push({ word: await send(file, (share) => { bar.value = share; }), name: file.name });
      bar.value = 1;
    } catch (failure) {
      row.className = "failure";
      tell({ ...failure, where: file.name }, row);
    }
  }
  input.value = "";
  if (words.length === 1) return keep([words]);
  if (words.length > 1) ask(words);
}

function ask(words) {
  arriving.append(el("p", { className: "row" },
    `${words.length} files. Are they `,
    el("button", { type: "button", onclick: () => keep([words]) }, "one session in parts"),
    el("button", { type: "button", onclick: () => keep(words.map((word) => [word])) }, "separate sessions"),
    "?"));
  arriving.querySelector("button").focus();
}

async function keep(groups) {
  try {
    const made = [];
    for (const group of groups) made.push((await call("POST", "/api/sessions", { files: group.map((one) => one.word) })).name);
    if (made.length === 1) location.href = `/session/${made[0]}`;
    else {
      arriving.replaceChildren();
      say(`${made.length} sessions kept. Open each to see what was understood.`);
      load();
    }
  } catch (failure) {
    tell(failure);
  }
}

document.getElementById("demo").addEventListener("click", async (event) => {
  event.target.disabled = true;
  const step = el("p", {}, "starting");
  arriving.replaceChildren(step, el("progress"));
  try {
    const found = await work("/api/demo", {}, { onstep: (text) => { step.textContent = text; } });
    if (found) location.href = `/session/${found.session}`;
    else arriving.replaceChildren();
  } catch (failure) {
    arriving.replaceChildren(el("p", { className: "failure" }));
    tell(failure, arriving.firstChild);
  }
  event.target.disabled = false;
});

function show() {
  const words = search.value.toLowerCase().split(/\s+/).filter(Boolean);
  const found = known.filter((one) => {
    const text = [one.name, one.driver, one.track, one.kart, one.notes, one.day, one.found?.title].join(" ").toLowerCase();
    return words.every((word) => text.includes(word));
  });
  list.replaceChildren(...found.map(card));
  document.getElementById("none").hidden = known.length > 0;
  document.getElementById("count").textContent = words.length ? `${found.length} of ${known.length}` : "";
}

function card(one) {
  const place = one.found && !one.found.estimated ? one.found.title : one.track || one.recordings[0]?.name;
  const title = [place, one.driver].filter(Boolean).join(", ");
  const state = one.found ? `best ${lapTime(one.found.best)} s of ${one.found.laps} laps` : "not reviewed yet";
  return el("li", {},
    el("h3", {}, el("a", { href: `/session/${one.name}` }, title)),
    el("span", { className: "fine" }, `${one.day ?? ""} · ${state}`),
    ...(one.found?.work_on?.length ? [el("span", { className: "fine" }, one.found.work_on[0])] : []));
}

search.addEventListener("input", show);

async function load() {
  try {
    known = await call("GET", "/api/sessions");
    show();
  } catch (failure) {
    tell(failure);
  }
}
load();
