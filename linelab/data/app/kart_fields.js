// The form of a kart: groups of fields, each with its meaning, unit, range and what is wrong with it.
import { el } from "./app.js";

/** Value of a field by its dotted name; undefined where the file has none. */
export function valueOf(table, field) {
  const [section, name] = field.includes(".") ? field.split(".") : ["", field];
  return section ? table[section]?.[name] : table[field];
}

/** The table with a field set, or taken out where the value is undefined. */
export function withValue(table, field, value) {
  const made = structuredClone(table);
  const [section, name] = field.includes(".") ? field.split(".") : ["", field];
  const place = section ? (made[section] ??= {}) : made;
  if (value === undefined) delete place[name];
  else place[name] = value;
  return made;
}

const digits = (value) => String(Number(value.toPrecision(5)));

/** A file's value as it is typed in the unit shown. */
function typedOf(about, value) {
  if (value === undefined) return "";
  if (Array.isArray(value)) return value.map((one) => typedOf({ ...about, kind: "number" }, one)).join(", ");
  return typeof value === "number" && about.size !== 1 ? digits(value / about.size) : String(value);
}

/** What was typed as a file's value; text that is no number stays text, and the check names it. */
function valueFrom(about, text) {
  const plain = text.trim();
  if (about.kind === "text") return plain;
  if (plain === "") return undefined;
  if (about.kind === "numbers") {
    return plain.split(/[;\s]+|,\s+|,(?=\d+[.])/).filter(Boolean).map((one) => valueFrom({ ...about, kind: "number" }, one));
  }
  const number = Number(plain.replace(",", "."));
  if (!Number.isFinite(number)) return plain;
  return about.size === 1 ? number : Number((number * about.size).toPrecision(12));
}

/** What a group is known by while the form is shown anew; of both ways to describe an engine one takes the other's place. */
const wordOf = (group) => (group.table === "simple_drive" ? "engine" : group.table || group.title);
const idOf = (field) => `field-${field.replaceAll(".", "-")}`;

function rangeOf(about) {
  const shown = (value) => Number((value / about.size).toPrecision(4));
  const unit = about.unit ? ` ${about.unit}` : "";
  const parts = [];
  if (about.low !== null) parts.push(`${shown(about.low)} to ${shown(about.high)}${unit}`);
  if (about.usual) parts.push(about.usual);
  return parts.join("; ");
}

/**
 * A form of a kart.
 *
 * ``change(table, field, ended)`` is called with the table after each change; ``ended`` when the field is left.
 */
export class KartForm {
  constructor(place, { change }) {
    this.place = place;
    this.change = change;
    this.shelf = {};
  }

  /** Show a table; which groups are open stays. */
  show(form, starts, table) {
    Object.assign(this, { form, starts, table });
    const open = new Set([...this.place.querySelectorAll("details[open]")].map((one) => one.dataset.group));
    const first = this.place.childElementCount === 0;
    const focus = document.activeElement?.id;
    this.place.replaceChildren(...form.filter((group) => !group.table || group.table === "axles" || table[group.table])
      .map((group, k) => this.group(group, first ? k < (matchMedia("(min-width: 62rem)").matches ? 3 : 2) : open.has(wordOf(group)))));
    if (focus && this.place.querySelector(`#${CSS.escape(focus)}`)) document.getElementById(focus).focus();
  }

  group(group, open) {
    const fields = !group.table || this.table[group.table] ? group.fields : [];
    const torque = group.fields.find((one) => one.field === "engine.torque_nm");
    const shown = fields.filter((one) => one !== torque).map((about) => (about.field === "engine.crank_rpm" ? this.curve(about, torque) : this.field(about)));
    const choice = [];
    if (group.table === "engine" || group.table === "simple_drive") {
      const select = el("select", { id: "engine-kind", onchange: () => this.engine(select.value) },
        el("option", { value: "engine" }, "a torque curve and gears"), el("option", { value: "simple_drive" }, "its power alone"));
      select.value = group.table;
      choice.push(el("p", { className: "row" }, el("label", {}, "The engine is described by ", select)));
    }
    if (group.table === "axles") {
      const tick = el("input", { type: "checkbox", id: "has-axles", checked: Boolean(this.table.axles), onchange: () => this.put("axles", tick.checked) });
      choice.push(el("p", {}, el("label", { className: "tick" }, tick, " Describe both axles")));
    }
    const made = el("details", { open }, el("summary", {}, el("h2", {}, group.title), el("span", { className: "fault-count" })),
      el("p", { className: "fine" }, group.says), ...choice, el("p", { className: "fault", id: `${idOf(group.table || group.title)}-fault`, hidden: true }),
      el("div", { className: "form" }, ...shown));
    made.dataset.group = wordOf(group);
    return made;
  }

  /** A part of the file put in, as it was before or fresh, or taken out. */
  put(part, there) {
    if (this.table[part]) this.shelf[part] = this.table[part];
    const table = structuredClone(this.table);
    if (there) table[part] = structuredClone(this.shelf[part] ?? this.starts[part]);
    else delete table[part];
    this.change(table, part, true);
    this.show(this.form, this.starts, table);
  }

  engine(kind) {
    const other = kind === "engine" ? "simple_drive" : "engine";
    if (this.table[other]) this.shelf[other] = this.table[other];
    const table = structuredClone(this.table);
    delete table[other];
    table[kind] = structuredClone(this.shelf[kind] ?? this.starts[kind]);
    this.change(table, kind, true);
    this.show(this.form, this.starts, table);
    document.getElementById("engine-kind").focus();
  }

  set(field, value, ended) {
    this.table = withValue(this.table, field, value);
    this.change(this.table, field, ended);
  }

  field(about) {
    const value = valueOf(this.table, about.field);
    const [id, fault] = [idOf(about.field), el("span", { className: "fault", id: `${idOf(about.field)}-fault`, hidden: true })];
    if (about.kind === "tick") {
      const tick = el("input", { type: "checkbox", id, checked: value ?? about.default, onchange: () => this.set(about.field, tick.checked, true) });
      tick.setAttribute("aria-describedby", fault.id);
      return el("div", {}, el("label", { className: "tick" }, tick, ` ${about.label}`), el("span", { className: "fine" }, about.says), fault);
    }
    const unset = about.default === null || about.default === undefined ? "" : `${typedOf(about, about.default)} unless given`;
    const input = el("input", { id, value: typedOf(about, value), placeholder: about.needed || about.kind === "text" ? "" : unset || "no limit", autocomplete: "off",
      inputMode: about.kind === "whole" ? "numeric" : about.kind === "text" ? "text" : "decimal", maxLength: about.kind === "text" ? 500 : 200 });
    if (about.kind === "numbers") input.placeholder = "";
    input.addEventListener("input", () => this.set(about.field, valueFrom(about, input.value), false));
    input.addEventListener("change", () => this.set(about.field, valueFrom(about, input.value), true));
    input.addEventListener("keydown", (event) => this.nudge(event, about, input));
    input.setAttribute("aria-describedby", `${fault.id} ${id}-range`);
    const label = el("label", {}, el("span", { className: "label" }, about.label, about.unit ? el("span", { className: "unit" }, ` [${about.unit}]`) : ""), input);
    label.setAttribute("for", id);
    return el("div", { className: about.kind === "text" ? "wide" : "" }, label, fault,
      el("span", { className: "fine" }, about.says), el("span", { className: "fine range", id: `${id}-range` }, rangeOf(about)));
  }

  /** Up and down change a number by about a hundredth of itself. */
  nudge(event, about, input) {
    const way = { ArrowUp: 1, ArrowDown: -1 }[event.key];
    const value = Number(input.value.replace(",", "."));
    if (!way || !["number", "whole"].includes(about.kind) || input.value === "" || !Number.isFinite(value)) return;
    event.preventDefault();
    const step = about.kind === "whole" ? 1 : 10 ** Math.floor(Math.log10(Math.max(Math.abs(value), 0.01) / 20));
    input.value = digits(value + way * step);
    this.set(about.field, valueFrom(about, input.value), true);
  }

  /** The torque curve as a table of two columns. */
  curve(speeds, torques) {
    const [v, f] = [valueOf(this.table, speeds.field) ?? [], valueOf(this.table, torques.field) ?? []];
    const rows = Math.max(v.length, f.length);
    const body = el("tbody", {});
    const typed = (about, row) => {
      const held = valueOf(this.table, about.field) ?? [];
      const input = el("input", { value: typedOf(about, held[row]), inputMode: "decimal", autocomplete: "off", ariaLabel: `${about.label} of point ${row + 1} [${about.unit}]`, id: `${idOf(about.field)}-${row}` });
      const put = (ended) => {
        const list = [...(valueOf(this.table, about.field) ?? [])];
        list[row] = valueFrom({ ...about, kind: "number" }, input.value) ?? "";
        this.set(about.field, list, ended);
      };
      input.addEventListener("input", () => put(false));
      input.addEventListener("change", () => put(true));
      return el("td", {}, input);
    };
    const both = (does, focus) => {
      let table = this.table;
      for (const about of [speeds, torques]) table = withValue(table, about.field, does([...(valueOf(this.table, about.field) ?? [])], about));
      this.change(table, speeds.field, true);
      this.show(this.form, this.starts, table);
      document.getElementById(focus)?.focus();
    };
    for (let row = 0; row < rows; row += 1) {
      body.append(el("tr", {}, typed(speeds, row), typed(torques, row), el("td", {},
        el("button", { type: "button", className: "plain", ariaLabel: `Take out point ${row + 1}`, disabled: rows <= 2,
          onclick: () => both((list) => list.filter((_, k) => k !== row), `${idOf(speeds.field)}-${Math.min(row, rows - 2)}`) }, "✕"))));
    }
    // A new point goes on as the last two do.
    const next = (list) => {
      const [a, b] = list.slice(-2).map(Number);
      return [...list, Number.isFinite(2 * b - a) ? Number((2 * b - a).toPrecision(6)) : ""];
    };
    return el("div", { className: "wide" },
      el("span", { className: "label" }, "Torque at full throttle"),
      el("span", { className: "fault", id: `${idOf(speeds.field)}-fault`, hidden: true }),
      el("span", { className: "fault", id: `${idOf(torques.field)}-fault`, hidden: true }),
      el("div", { className: "scroll" }, el("table", { className: "curve" },
        el("thead", {}, el("tr", {}, el("th", { scope: "col" }, `${speeds.label} [${speeds.unit}]`), el("th", { scope: "col" }, `${torques.label} [${torques.unit}]`), el("th", {}, ""))), body)),
      el("p", {}, el("button", { type: "button", onclick: () => both(next, `${idOf(speeds.field)}-${rows}`) }, "Add a point")),
      el("span", { className: "fine range" }, rangeOf(speeds)), el("span", { className: "fine range" }, rangeOf(torques)));
  }

  /** Write each fault at the field it concerns; gives those that concern none of them. */
  faults(faults) {
    for (const one of this.place.querySelectorAll(".fault")) one.hidden = true;
    for (const one of this.place.querySelectorAll("[aria-invalid]")) one.removeAttribute("aria-invalid");
    for (const one of this.place.querySelectorAll(".fault-count")) one.textContent = "";
    const rest = [];
    for (const { field, what } of faults) {
      const [name, entry] = [ALSO[field] ?? field.replace(/ entry \d+$/, ""), field.match(/ entry (\d+)$/)?.[1]];
      const slot = document.getElementById(`${idOf(name)}-fault`);
      if (!slot) { rest.push({ field, what }); continue; }
      const text = `${entry ? `Point ${entry}: ` : ""}${what}.`;
      slot.textContent = slot.hidden ? text : `${slot.textContent} ${text}`;
      slot.hidden = false;
      document.getElementById(entry ? `${idOf(name)}-${entry - 1}` : idOf(name))?.setAttribute("aria-invalid", "true");
      const group = slot.closest("details");
      group.querySelector(".fault-count").textContent = "correct a field here";
    }
    return rest;
  }
}

/** Fields by the names that the library's own errors use for them. */
const ALSO = {
  "engine.ratios": "engine.axle_sprocket_teeth", "engine.speed": "engine.crank_rpm", "engine.torque": "engine.torque_nm",
  "kart.mass": "mass_kg", "engine.power": "simple_drive.power_kw", "engine.max_force": "simple_drive.max_force_n",
};
