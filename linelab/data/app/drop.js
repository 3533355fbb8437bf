// Recordings dropped or chosen on the list of sessions: sent, and kept as sessions.
import { call, el, say, send, tell, work } from "./app.js";

const drop = document.getElementById("drop");
const input = document.getElementById("files");
const arriving = document.getElementById("arriving");

/** Take dropped files; ``kept`` is called when several sessions were made of them. */
export function takeDropped(kept) {
  document.getElementById("choose").addEventListener("click", () => input.click());
  input.addEventListener("change", () => receive([...input.files], kept));
  for (const [name, over] of [["dragenter", true], ["dragover", true], ["dragleave", false], ["drop", false]]) {
    document.addEventListener(name, (event) => {
      event.preventDefault();
      drop.classList.toggle("over", over);
    });
  }
  document.addEventListener("drop", (event) => receive([...(event.dataTransfer?.files ?? [])], kept));
  document.getElementById("demo").addEventListener("click", demo);
}

async function receive(files, kept) {
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
  if (words.length === 1) await keep([words], kept);
  if (words.length > 1) ask(words, kept);
}

function ask(words, kept) {
  arriving.append(el("p", { className: "row" },
    `${words.length} files. Are they `,
    el("button", { type: "button", onclick: () => keep([words], kept) }, "one session in parts"),
    el("button", { type: "button", onclick: () => keep(words.map((word) => [word]), kept) }, "separate sessions"),
    "?"));
  arriving.querySelector("button").focus();
}

async function keep(groups, kept) {
  try {
    const made = [];
    for (const group of groups) made.push((await call("POST", "/api/sessions", { files: group.map((one) => one.word) })).name);
    if (made.length === 1) location.href = `/session/${made[0]}`;
    else {
      arriving.replaceChildren();
      say(`${made.length} sessions kept. Open each to see what was understood.`);
      kept();
    }
  } catch (failure) {
    tell(failure);
  }
}

async function demo(event) {
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
}
