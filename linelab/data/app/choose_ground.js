// The track and the kart that a page is about: chosen from the library's, named in the address, remembered.

import { call, el, inWords } from "./app.js";

const at = (id) => document.getElementById(id);
const KEPT = "linelab-ground";

function remembered() {
  try {
    return JSON.parse(localStorage.getItem(KEPT)) ?? {};
  } catch {
    return {};
  }
}

function remember(chosen) {
  try {
    localStorage.setItem(KEPT, JSON.stringify(chosen));
  } catch {
    // A browser that keeps nothing: the first track and kart are shown next time.
  }
}

/** What is chosen now. */
export const chosenGround = () => ({ track: at("track").value, kart: at("kart").value, reverse: at("reverse").checked });

/** Fill the lists; ``changed`` is called at once and after each choice.  Gives the rest of the address's questions. */
export async function chooseGround(changed) {
  const asked = new URLSearchParams(location.search);
  const [tracks, karts] = await Promise.all([call("GET", "/api/tracks"), call("GET", "/api/karts")]);
  const last = remembered();
  for (const [id, known] of [["track", tracks], ["kart", karts]]) {
    const own = known.filter((one) => !one.bundled);
    const bundled = known.filter((one) => one.bundled);
    const options = (some) => some.map((one) => el("option", { value: one.name }, inWords(one.name)));
    at(id).replaceChildren(...(own.length ? [el("optgroup", { label: "Yours" }, ...options(own))] : []),
      el("optgroup", { label: "Come with linelab" }, ...options(bundled)));
    const wanted = [asked.get(id), last[id]].find((name) => known.some((one) => one.name === name));
    if (wanted) at(id).value = wanted;
  }
  at("reverse").checked = asked.has("track") ? asked.get("reverse") === "1" : last.reverse === true;
  const tell = (byHand) => {
    const { track, kart, reverse } = chosenGround();
    remember({ track, kart, reverse });
    const address = new URLSearchParams({ track, kart, ...(reverse ? { reverse: "1" } : {}) });
    if (byHand) history.replaceState(null, "", `?${address}`);
    changed(byHand);
  };
  for (const id of ["track", "kart", "reverse"]) at(id).addEventListener("change", () => tell(true));
  tell(false);
  return asked;
}
