// Recorded laps under the drawing: shown, shifted by hand or fitted between the edges, or the drawing moved onto them.
import { call, el, say, tell, work } from "./app.js";
import { moveAll } from "./drawing_model.js";

const at = (id) => document.getElementById(id);
const UNLIKELY = 5; // metres: a receiver is seldom farther off

export class Laps {
  constructor(name, model, board, { useTool, next }) {
    Object.assign(this, { name, model, board, useTool, next, sessions: [] });
  }

  get laps() { return this.model.drawing.laps; }

  async start() {
    this.sessions = await call("GET", "/api/sessions").catch(() => []);
    this.show();
    if (this.laps) await this.load(this.laps.session);
  }

  async load(session) {
    const { drawing } = this.model;
    if (!session) {
      this.board.laps = [];
      this.model.change((changed) => { changed.laps = null; });
      this.board.redraw();
      this.show();
      return;
    }
    at("laps-fault").hidden = true;
    at("laps-state").textContent = "Reading the laps …";
    try {
      const empty = !drawing.shapes.length && !drawing.picture?.placed;
      const found = await work(`/api/drawings/${this.name}/laps`, { session, origin: drawing.origin, empty });
      if (!found) return;
      this.board.laps = found.lines;
      this.session = session;
      this.model.change((changed) => {
        changed.origin = found.origin;
        if (changed.laps?.session !== session) changed.laps = { session, shift: [0, 0] };
      });
      if (empty) {
        this.board.showAll();
        this.next();
      } else this.board.redraw();
    } catch (failure) {
      tell(failure, at("laps-fault"));
    }
    this.show();
  }

  /** After an undo or a new plane: what is shown is what the drawing says. */
  follow() {
    if (!this.laps) this.board.laps = [];
    else if (this.laps.session !== this.session) this.load(this.laps.session);
    this.show();
  }

  shift(dx, dy) {
    const { shift } = this.laps;
    shift[0] += dx;
    shift[1] += dy;
  }

  async fit() {
    at("laps-fault").hidden = true;
    at("laps-state").textContent = "Fitting …";
    try {
      const found = await work(`/api/drawings/${this.name}/fit`, { drawing: this.model.drawing, points: this.board.laps.flat(), shift: this.laps.shift });
      if (found) {
        this.model.change((drawing) => { drawing.laps.shift = found.shift; });
        const share = (value) => `${Math.round(100 * value)} %`;
        say(`Fitted: ${share(found.after)} of the points have a wheel outside the edges; ${share(found.before)} without any shift.`);
      }
    } catch (failure) {
      tell(failure, at("laps-fault"));
    }
    this.show();
  }

  /** Believe the laps: everything drawn moves, and the track file says so. */
  moveDrawing() {
    const [dx, dy] = this.laps.shift;
    this.model.change((drawing) => {
      moveAll(drawing, ([x, y]) => [x - dx, y - dy]);
      if (drawing.picture) {
        drawing.picture.matrix[4] -= dx;
        drawing.picture.matrix[5] -= dy;
      }
      drawing.laps.shift = [0, 0];
      const over = drawing.picture?.placed ? `Drawn over a picture, pixels of ${drawing.picture.pixel.toPrecision(2)} m` : "";
      const note = (drawing.head.survey_note || over).replace(/\.$/, "");
      const said = note ? `${note}. ` : "";
      drawing.head.survey_note = `${said}Moved by ${words([-dx, -dy])} onto recorded laps.`;
    });
    this.board.redraw();
    this.show();
    say("The drawing lies on the laps now. The track file will say that it was moved.");
  }

  show() {
    const { laps } = this;
    const select = el("select", { id: "laps-session", onchange: () => this.load(select.value) }, el("option", { value: "" }, "none"),
      ...this.sessions.map((one) => el("option", { value: one.name }, [one.name, one.driver].filter(Boolean).join(", "))));
    select.value = laps?.session ?? "";
    const fault = at("laps-fault") ?? el("div", { id: "laps-fault", className: "failure", hidden: true, role: "alert" });
    const button = (word, act, id) => el("button", { type: "button", className: "plain", id, onclick: act }, word);
    const parts = [el("label", { className: "form" }, "Show the laps of a session", select),
      ...(this.sessions.length ? [] : [el("p", { className: "fine" }, "No session yet: drop a recording on the page Sessions.")])];
    const far = laps && Math.hypot(...laps.shift) > UNLIKELY;
    const state = el("p", { id: "laps-state", role: "status" }, !laps ? "" : Math.hypot(...laps.shift) < 0.005 ? "Laps as they were recorded, not shifted." : `Laps shifted by ${words(laps.shift)}.`);
    if (laps) {
      parts.push(state, el("p", { className: "row" },
        button("Shift by hand", () => { this.useTool("move-laps"); this.board.place.focus(); }, "shift-laps"),
        button("Fit between the edges", () => this.fit(), "fit-laps"),
        button("No shift", () => { this.model.change((drawing) => { drawing.laps.shift = [0, 0]; }); this.board.redraw(); this.show(); }, "no-shift")),
      el("p", { className: "fine" }, "A shift counts as the receiver's error: it stays with this drawing and changes nothing in the track file. A review finds that error itself, for each session."),
      ...(far ? [el("p", { className: "fine" }, `More than ${UNLIKELY} m is rarely the receiver: the picture may lie wrong.`)] : []),
      el("p", { className: "row" }, button("Move the drawing onto the laps instead", () => this.moveDrawing(), "move-drawing")),
      el("p", { className: "fine" }, "Only where the picture's place is doubtful: drawing and picture move, and the track file says so."));
    } else parts.push(state);
    at("laps").replaceChildren(...parts, fault);
  }
}

/** A shift in words. */
export function words([x, y]) {
  return `${Math.abs(x).toFixed(1)} m ${x < 0 ? "west" : "east"} and ${Math.abs(y).toFixed(1)} m ${y < 0 ? "south" : "north"}`;
}
