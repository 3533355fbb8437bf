// The picture under the drawing: dropped, placed by two points, a distance, a world file or GeoTIFF tags, moved, turned.
import { el, follow, keepFile, say, tell, work } from "./app.js";
import { moveAll, toPixel, toPlane } from "./drawing_model.js";

const WORLD = /\.(pgw|jgw|wld|tfw|tifw|pngw|jpgw|wpw|txt)$/i;
const IMAGE = /\.(png|jpe?g|webp|tiff?)$/i;
const UNPLACED = 0.2; // metres a pixel is taken for before it is known
const at = (id) => document.getElementById(id);
const LETTERS = ["A", "B"];

export class Picture {
  constructor(name, model, board, { useTool, next, changedPlane }) {
    Object.assign(this, { name, model, board, useTool, next, changedPlane, along: true });
    for (const kind of ["dragover", "dragleave", "drop"]) {
      document.addEventListener(kind, (event) => {
        event.preventDefault();
        at("file-drop")?.classList.toggle("over", kind === "dragover");
        if (kind === "drop") this.receive([...(event.dataTransfer?.files ?? [])]);
      });
    }
  }

  get picture() { return this.model.drawing.picture; }

  async receive(files) {
    const image = files.find((file) => IMAGE.test(file.name));
    const world = files.find((file) => WORLD.test(file.name));
    const numbers = world ? await world.text() : "";
    if (!image && !numbers) {
      if (files.length) tell({ what: "this is no picture", where: files[0].name, remedy: "Drop PNG, JPEG, WebP or TIFF, with its world file if there is one" }, at("picture-fault"));
      return;
    }
    at("picture-fault").hidden = true;
    try {
      if (image) await this.keep(image, numbers);
      else if (this.picture) this.model.change(({ picture }) => Object.assign(picture, { how: "world", numbers }));
      else throw Object.assign(new Error(), { what: "a world file alone shows nothing", where: world.name, remedy: "Drop it together with its picture" });
      this.show();
      if (this.picture.how === "world" && this.guessed()) await this.place();
    } catch (failure) {
      tell(failure, at("picture-fault"));
    }
  }

  async keep(file, numbers) {
    say("Reading the picture …");
    const begun = await keepFile(`/api/drawings/${this.name}/picture`, file);
    const found = begun.job ? await follow(begun.job) : begun;
    if (!found) return;
    await this.load(found.file);
    const size = found.size ?? await this.size();
    const given = numbers || found.numbers || "";
    const { x, y } = this.board.view;
    const matrix = [UNPLACED, 0, 0, -UNPLACED, x - (UNPLACED * size[0]) / 2, y + (UNPLACED * size[1]) / 2];
    this.model.change((drawing) => {
      drawing.picture = { file: found.file, title: file.name, size, matrix, placed: false, pixel: UNPLACED, opacity: 1, how: given ? "world" : "points",
        numbers: given, system: found.system ?? "lon/lat", points: [], known: [["", ""], ["", ""]], metres: "" };
    });
    if (!this.model.shapes.length) this.board.showAll();
  }

  /** Show the picture that is kept with the drawing. */
  async load(file) {
    this.board.pictureAddress = file ? `/api/drawings/${this.name}/picture?${file}-${Date.now()}` : "";
    this.board.redraw();
  }

  size() {
    return new Promise((resolve, reject) => {
      const image = new Image();
      image.onload = () => resolve([image.naturalWidth, image.naturalHeight]);
      image.onerror = () => reject(Object.assign(new Error(), { what: "the browser cannot show this picture", remedy: "Save it as PNG or JPEG" }));
      image.src = this.board.pictureAddress;
    });
  }

  /** Whether a world file's numbers say by themselves what they are. */
  guessed() {
    const first = typeof this.picture.numbers === "string" ? Math.abs(Number(this.picture.numbers.trim().split(/\s+/)[0].replace(",", "."))) : 0;
    return this.picture.system.startsWith("EPSG") || (first > 0 && first < 1e-3);
  }

  picked(number, place) {
    this.model.change(({ picture }) => { picture.points[number] = toPixel(picture.matrix, place); });
    this.show();
    this.useTool(number === 0 && !this.picture.points[1] ? "known-1" : "choose");
    at(this.picture.how === "distance" ? "metres" : `known-${number}-0`)?.focus();
  }

  async place() {
    const { picture } = this;
    const { drawing } = this.model;
    const drawn = drawing.shapes.length > 0;
    const number = (text) => Number(String(text).trim().replace(",", ".") || NaN);
    const blank = picture.how === "points" && picture.known.flat().some((text) => !Number.isFinite(number(text)));
    if (picture.how !== "world" && (!picture.points[0] || !picture.points[1])) {
      tell({ what: "two points of the picture are needed", remedy: "Press 'Point A' and click it on the picture, then 'Point B'" }, at("picture-fault"));
      return;
    }
    if (blank) {
      tell({ what: "the coordinates of both points are needed", remedy: "Type two numbers for each point" }, at("picture-fault"));
      return;
    }
    const along = drawn && this.along;
    const body = { how: picture.how, size: picture.size, origin: drawing.origin, fixed: (drawn && !along) || Boolean(drawing.laps), pixels: picture.points,
      known: picture.known.map((pair) => pair.map(number)), metres: number(picture.metres) || 0, numbers: picture.numbers,
      system: picture.system === "metres" ? "" : picture.system, middle: toPlane(picture.matrix, picture.size.map((side) => side / 2)) };
    at("picture-fault").hidden = true;
    try {
      const found = await work(`/api/drawings/${this.name}/place`, body);
      if (!found) return;
      const before = picture.matrix;
      const moved = String(drawing.origin) !== String(found.origin);
      this.model.change((changed) => {
        if (along) moveAll(changed, (point) => toPlane(found.matrix, toPixel(before, point)));
        changed.origin = found.origin;
        Object.assign(changed.picture, { matrix: found.matrix, placed: true, pixel: found.pixel });
      });
      if (moved) this.changedPlane();
      this.next();
      this.board.showAll();
      const off = found.misfit > 0.005 ? ` It misses its map by ${found.misfit.toFixed(2)} m at most.` : "";
      const turned = Math.abs(found.turned) > 0.05 ? `, turned by ${found.turned.toFixed(1)}°` : "";
      say(`Placed: a pixel is ${this.length(found.pixel)}${turned}.${off}`);
      this.show();
    } catch (failure) {
      tell(failure, at("picture-fault"));
    }
  }

  length(metres) { return metres < 0.1 ? `${(metres * 100).toFixed(1)} cm` : `${metres.toFixed(2)} m`; }

  turn(degrees) {
    const { matrix, size } = this.picture;
    const middle = toPlane(matrix, size.map((side) => side / 2));
    const [c, s] = [Math.cos((degrees * Math.PI) / 180), Math.sin((degrees * Math.PI) / 180)];
    const spun = ([x, y]) => [c * x - s * y, s * x + c * y];
    const [[a, b], [cc, d], [e, f]] = [spun(matrix.slice(0, 2)), spun(matrix.slice(2, 4)), spun([matrix[4] - middle[0], matrix[5] - middle[1]])];
    this.model.change(({ picture }) => { picture.matrix = [a, b, cc, d, e + middle[0], f + middle[1]]; }, "turn");
  }

  shift(dx, dy) {
    const { matrix } = this.picture;
    matrix[4] += dx;
    matrix[5] += dy;
  }

  marks() {
    const { picture } = this;
    if (!picture || picture.how === "world") return [];
    return picture.points.flatMap((pixel, k) => (pixel ? [{ place: toPlane(picture.matrix, pixel), kind: "known", word: LETTERS[k] }] : []));
  }

  show() {
    const { picture } = this;
    const choose = el("input", { type: "file", id: "picture-file", multiple: true, hidden: true, accept: ".png,.jpg,.jpeg,.webp,.tif,.tiff,.pgw,.jgw,.tfw,.wld,.txt", ariaLabel: "Picture", onchange: () => this.receive([...choose.files]) });
    const drop = el("div", { id: "file-drop" }, el("p", {}, picture ? picture.title : "Drop a picture here: PNG, JPEG, WebP or TIFF, together with its world file if there is one. It stays on this machine."),
      el("button", { type: "button", onclick: () => choose.click() }, picture ? "Another picture" : "Choose a picture"), choose);
    this.board.marks = this.board.marks.filter((mark) => mark.kind !== "known").concat(this.marks());
    this.board.drawMarks();
    const fault = at("picture-fault") ?? el("div", { id: "picture-fault", className: "failure", hidden: true, role: "alert" });
    at("picture").replaceChildren(drop, ...(picture ? [this.form()] : []), fault);
  }

  form() {
    const { picture } = this;
    const set = (changes, again = true) => {
      this.model.change((drawing) => Object.assign(drawing.picture, changes));
      if (again) this.show();
    };
    const select = (label, value, options, change) => {
      const made = el("select", { onchange: () => change(made.value) }, ...options.map(([key, text]) => el("option", { value: key }, text)));
      made.value = value;
      return el("label", { className: "wide" }, label, made);
    };
    const known = ["lon/lat", "metres"].includes(picture.system);
    const system = picture.how === "distance" ? [] : [
      select("The numbers are", known ? picture.system : "grid", [["lon/lat", "longitude and latitude"], ["metres", "metres of a plan"], ["grid", "a map grid (UTM, EPSG)"]], (value) => set({ system: value === "grid" ? "" : value })),
      ...(known ? [] : [el("label", { className: "wide" }, "Which grid", el("input", { value: picture.system, placeholder: "EPSG:25832 or UTM 32N", onchange: (event) => set({ system: event.target.value.trim() }, false) }))])];
    const words = picture.system === "lon/lat" ? ["longitude", "latitude"] : ["east", "north"];
    const pick = (k) => el("p", { className: "row wide" },
      el("button", { type: "button", id: `pick-${k}`, onclick: () => { this.useTool(`known-${k}`); this.board.place.focus(); } }, `Point ${LETTERS[k]}`),
      el("span", { className: "fine" }, picture.points[k] ? "is on the picture" : "press, then click it on the picture"));
    const input = (k, axis) => el("label", {}, `${LETTERS[k]}: ${words[axis]}`, el("input", { id: `known-${k}-${axis}`, inputMode: "decimal", autocomplete: "off", value: picture.known[k][axis],
      onchange: (event) => set({ known: picture.known.map((pair, i) => pair.map((text, j) => (i === k && j === axis ? event.target.value.trim() : text))) }, false) }));
    const by = {
      points: () => [0, 1].flatMap((k) => [pick(k), input(k, 0), input(k, 1)]),
      distance: () => [pick(0), pick(1), el("label", { className: "wide" }, "From A to B in metres", el("input", { id: "metres", inputMode: "decimal", value: picture.metres, onchange: (event) => set({ metres: event.target.value.trim() }, false) }))],
      world: () => [el("p", { className: "fine wide" }, "Its place is in the file that came with it.")],
    };
    const form = el("form", { className: "form", onsubmit: (event) => { event.preventDefault(); this.place(); } },
      select("What is known", picture.how, [["points", "where two points are"], ["distance", "only how far two points are apart"], ...(picture.numbers ? [["world", "its world file or tags"]] : [])], (how) => set({ how })),
      ...system, ...by[picture.how](),
      ...(this.model.shapes.length ? [el("label", { className: "tick wide" }, el("input", { type: "checkbox", checked: this.along, onchange: (event) => { this.along = event.target.checked; } }), " move what is drawn with the picture")] : []),
      el("p", { className: "row wide" }, el("button", { type: "submit", id: "place" }, picture.placed ? "Place it anew" : "Place the picture"),
        el("span", { className: "fine" }, picture.placed ? `A pixel is ${this.length(picture.pixel)}.` : "Not placed yet.")),
      el("label", { className: "wide" }, "How strong it shows", el("input", { type: "range", min: 0.1, max: 1, step: 0.1, value: picture.opacity ?? 1, oninput: (event) => { picture.opacity = Number(event.target.value); this.board.drawPicture(); }, onchange: () => this.model.onchange() })),
      el("p", { className: "row wide" }, el("button", { type: "button", className: "plain", onclick: () => { this.useTool("move-picture"); this.board.place.focus(); } }, "Move it"),
        el("button", { type: "button", className: "plain", onclick: () => this.turn(0.5), ariaLabel: "Turn to the left by half a degree" }, "Turn left"),
        el("button", { type: "button", className: "plain", onclick: () => this.turn(-0.5), ariaLabel: "Turn to the right by half a degree" }, "Turn right")));
    return form;
  }
}
