// Short questions in a box over the page, and other windows of this app told that something was saved.
import { el } from "./app.js";

/** Ask for a text; gives it without blanks around it, or null where the user thought better of it. */
export function askText(question, value = "", { says = "", button = "OK" } = {}) {
  const input = el("input", { value, maxLength: 200, autocomplete: "off" });
  return answered(question, button, [el("label", { className: "asked" }, question, input), ...(says ? [el("p", { className: "fine" }, says)] : [])],
    () => input.value.trim(), () => { input.focus(); input.select(); });
}

/** Ask whether to go on; gives true or null. */
export function askSure(question, button) {
  return answered(question, button, [el("p", {}, question)], () => true, () => {});
}

function answered(label, button, content, value, shown) {
  return new Promise((resolve) => {
    const box = el("dialog", { className: "question", ariaLabel: label });
    const form = el("form", { method: "dialog" }, ...content, el("p", { className: "row" },
      el("button", { className: "main", value: "yes" }, button),
      el("button", { type: "button", onclick: () => box.close("") }, "Cancel")));
    box.append(form);
    box.addEventListener("close", () => {
      resolve(box.returnValue === "yes" ? value() : null);
      box.remove();
    });
    document.body.append(box);
    box.showModal();
    shown();
  });
}

const others = "BroadcastChannel" in window ? new BroadcastChannel("linelab") : null;

/** Tell other windows of this app that the library has changed. */
export const changed = () => others?.postMessage("changed");

/** Call ``load`` when another window has saved, and when the user comes back to this one. */
export function keepFresh(load) {
  if (others) others.onmessage = load;
  document.addEventListener("visibilitychange", () => { if (document.visibilityState === "visible") load(); });
  window.addEventListener("focus", load);
}
