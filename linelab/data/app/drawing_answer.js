// What linelab makes of the drawing: worked out after each change, shown with its places, the last answer kept meanwhile.
import { call, el, follow, tell, units } from "./app.js";

const PAUSE = 350; // milliseconds after a change
const at = (id) => document.getElementById(id);

export class Answer {
  constructor(name, model, board, { nameCorner }) {
    Object.assign(this, { name, model, board, nameCorner, wanted: false, running: false });
    document.addEventListener("units", () => this.soon());
    at("answer").addEventListener("focusout", () => setTimeout(() => this.late && this.show(this.late)));
  }

  /** Work it out after a short pause; a change meanwhile has it worked out once more. */
  soon() {
    this.wanted = true;
    this.mark(true);
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.work(), PAUSE);
  }

  mark(stale) {
    at("answer").classList.toggle("stale", stale);
    if (stale && this.last) at("state").textContent = "Working it out anew …";
    this.board.stale = stale;
    this.board.drawAnswer();
  }

  async work() {
    if (this.running) return;
    this.running = true;
    while (this.wanted) {
      this.wanted = false;
      try {
        const { job } = await call("POST", `/api/drawings/${this.name}/check`, { drawing: this.model.drawing, units: units() });
        const found = await follow(job);
        if (found === null) this.wanted = true; // another window's drawing was in the way
        else if (!this.wanted) this.show(found);
      } catch (failure) {
        tell(failure, at("state"));
        break;
      }
      if (this.wanted) await new Promise((resolve) => { setTimeout(resolve, PAUSE); });
    }
    this.running = false;
  }

  show(found) {
    this.last = found;
    this.late = null;
    const kept = found.reference ? found : this.board.answer; // what could be built last stays on the board
    this.board.answer = found.state === "unfinished" ? null : kept;
    this.board.marks = this.board.marks.filter((mark) => mark.kind !== "fault")
      .concat(found.faults.flatMap((fault, k) => (fault.place ? [{ place: fault.place, kind: "fault", word: String(k + 1) }] : [])));
    this.mark(false);
    this.board.stale = !found.reference;
    this.board.drawAnswer();
    this.board.drawMarks();
    at("save").disabled = found.state !== "valid";
    at("state").textContent = this.sentence(found);
    if (at("answer").contains(document.activeElement) && document.activeElement.tagName === "INPUT") this.late = found;
    else this.panel(found);
  }

  sentence(found) {
    if (found.state === "unfinished") return "Still to do:";
    if (found.state === "faulty") return found.faults.length === 1 ? "One thing is wrong:" : `${found.faults.length} things are wrong:`;
    return `Sound. ${found.length}, ${found.width[0]} to ${found.width[1]} wide, ${found.corners.length} corners, ${found.direction}.`;
  }

  panel(found) {
    const parts = [];
    if (found.todo.length) parts.push(el("ul", { className: "todo" }, ...found.todo.map((one) => el("li", {}, `${one}.`))));
    if (found.faults.length) parts.push(el("ol", { className: "faults" }, ...found.faults.map((fault, k) => this.fault(fault, k + 1))));
    if (found.words) {
      parts.push(...found.notes.map((note) => el("p", { className: "fine" }, `Note: ${note}.`)));
      parts.push(this.corners(found.corners));
      parts.push(el("details", {}, el("summary", {}, "All that is known"), ...found.words.map((one) => el("p", { className: "fine" }, one)),
        el("pre", { tabIndex: 0 }, found.norms)));
    }
    at("answer").replaceChildren(...parts);
  }

  fault(fault, number) {
    const show = () => {
      const shape = this.model.shape(fault.shape);
      const place = fault.place ?? shape?.points[0];
      if (shape) {
        const near = shape.points.map(([x, y]) => Math.hypot(x - place[0], y - place[1]));
        this.board.choose(shape, near.indexOf(Math.min(...near)));
      }
      if (place) this.board.lookAt(place);
      this.board.place.focus();
    };
    const where = fault.where ? `${fault.where[0].toUpperCase()}${fault.where.slice(1)}: ` : "";
    return el("li", {}, `${number}. ${where}${fault.what}. ${fault.remedy}${/[.?!]$/.test(fault.remedy) || !fault.remedy ? "" : "."}`,
      ...(fault.place || fault.shape ? [el("button", { type: "button", onclick: show, ariaLabel: `Show fault ${number}` }, "Show")] : []));
  }

  corners(corners) {
    const rows = corners.map((corner) => el("tr", {},
      el("td", { className: "number" }, String(corner.number)),
      el("td", {}, corner.left ? "left" : "right"),
      el("td", { className: "number" }, `${corner.turn}°`),
      el("td", {}, el("input", { value: corner.name, maxLength: 60, placeholder: "no name", ariaLabel: `Name of corner ${corner.number}`, onchange: (event) => this.nameCorner(corner, event.target.value.trim()) }))));
    return el("div", { className: "scroll" }, el("table", {}, el("thead", {}, el("tr", {},
      ...["Corner", "Way", "Turn", "Name"].map((word) => el("th", { scope: "col" }, word)))), el("tbody", {}, ...rows)));
  }
}
