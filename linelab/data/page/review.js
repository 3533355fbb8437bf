"use strict";
/* The page's own script: lap chooser, one cursor for map and curves, zoom by viewBox, sorting, light and dark.
   Everything it shows comes from the two blocks of data in the page; texts are set as text, never as markup. */
(() => {
  const asMade = document.documentElement.cloneNode(true); // before anything here changes it
  const find = (id) => document.getElementById(id);
  const data = JSON.parse(find("readings").textContent);
  const byLap = JSON.parse(find("by-lap").textContent);
  const sums = (steps) => { let sum = 0; return steps.map((step) => (sum += step)); };
  const road = { x: sums(data.road.x), y: sums(data.road.y), psi: sums(data.road.psi) };
  const unpackedLists = (packed) => Object.fromEntries(
    Object.entries(packed).map(([name, value]) => [name, Array.isArray(value) ? sums(value) : value]));
  const target = unpackedLists(data.target);
  const unpacked = new Map();
  const numbers = (lap) => {
    if (!unpacked.has(lap)) {
      const own = unpackedLists(data.laps[lap]);
      own.t = own.gap.map((gap, k) => gap + target.t[k]);
      unpacked.set(lap, own);
    }
    return unpacked.get(lap);
  };

  /* ---- lap chooser */
  const chooser = find("lap"), earlier = find("earlier"), later = find("later");
  const places = [...document.querySelectorAll("[data-by-lap]")];
  const dots = [...document.querySelectorAll(".dot:not(.fixed)")];
  const passes = [...document.querySelectorAll("#grid tr[data-lap]")];
  const signs = { "+": "loss", "−": "gain" };
  let lap = Number(chooser.value);

  const showLap = (wanted) => {
    stop();
    lap = Math.min(Math.max(wanted, 0), data.laps.length - 1);
    const own = byLap.laps[lap];
    places.forEach((place, k) => {
      const text = byLap.texts[own[k]], kind = place.dataset.byLap;
      if (kind === "text") {
        place.textContent = text;
        if ("sign" in place.dataset) place.dataset.sign = signs[text[0]] || "none";
      } else place.setAttribute(kind, text);
    });
    markLap();
    sortAgain();
    clearScenes();
    setView(first, last);
    showPlace();
  };
  const markLap = () => {
    chooser.value = String(lap);
    earlier.disabled = lap === 0;
    later.disabled = lap === data.laps.length - 1;
    [...dots, ...passes].forEach((one) => one.classList.toggle("chosen", Number(one.dataset.lap) === lap));
  };
  chooser.disabled = data.laps.length < 2;
  chooser.addEventListener("change", () => showLap(Number(chooser.value)));
  earlier.addEventListener("click", () => showLap(lap - 1));
  later.addEventListener("click", () => showLap(lap + 1));
  dots.forEach((dot) => dot.addEventListener("click", () => showLap(Number(dot.dataset.lap))));
  document.querySelectorAll(".choose").forEach((button) => {
    button.disabled = false;
    button.addEventListener("click", () => showLap(Number(button.dataset.lap)));
  });
  const times = find("times");
  if (times) {
    times.disabled = false;
    times.addEventListener("change", () => document.querySelectorAll("#grid [data-other]").forEach((cell) => {
      [cell.textContent, cell.dataset.other] = [cell.dataset.other, cell.textContent];
    }));
  }

  /* ---- cursor */
  const map = find("map"), slider = find("place"), readout = find("readout"), panels = find("curves");
  const fields = [...document.querySelectorAll(".field")];
  const cursors = [...document.querySelectorAll(".cursor")];
  const rows = [...panels.querySelectorAll(".boxes, .stations")].map((row) => [...row.querySelectorAll("[data-at]")]);
  const sized = [...map.querySelectorAll("[data-size]")], gg = find("gg");
  const spotDriven = find("spot-driven"), spotTarget = find("spot-target");
  const count = data.count, length = data.step * count;
  let place = 0, first = 0, last = count;

  const point = (n, k) => [road.x[k] - (n[k] * Math.sin(road.psi[k] / 1e4)), road.y[k] - (n[k] * Math.cos(road.psi[k] / 1e4))];
  /* Values between the stations, which a closed lap goes round: `k` may lie before 0 or beyond `count`. */
  const between = (list, k) => {
    const low = Math.min(Math.floor(k), count - 1);
    return list[low] + (k - low) * (list[low + 1] - list[low]);
  };
  const within = (k) => (data.closed && (k < 0 || k > count) ? k - count * Math.floor(k / count) : Math.min(Math.max(k, 0), count));
  const putSpots = (picture, driven, aim) => {
    [[".spot-target", target.n, aim], [".spot-driven", numbers(lap).n, driven]].forEach(([name, n, at]) => {
      const k = within(at), low = Math.min(Math.floor(k), count - 1), [x, y] = point(n, low), [u, v] = point(n, low + 1);
      const spot = picture.querySelector(name);
      spot.setAttribute("cx", (x + (k - low) * (u - x)).toFixed(0));
      spot.setAttribute("cy", (y + (k - low) * (v - y)).toFixed(0));
    });
    picture.querySelector(".spots").setAttribute("visibility", "visible");
  };
  const fixed = (value, digits) => value.toFixed(digits).replace("-", "−").replace(/^−(0\.?0*)$/, "$1");
  const apart = (value, within, digits) => `${fixed(Math.abs(value), digits)} ±${Math.max(within, 10 ** -digits).toFixed(digits)}`;

  const where = () => {
    const s = place * data.step;
    let at = data.segments[0];
    for (const segment of data.segments) if (segment[0] <= s) at = segment;
    return at[1] ? `corner ${at[1]}, ${at[2]}` : "before the first corner";
  };
  const inG = (own, name) => `${apart(own[name][place] / 20 / 9.80665, own[`${name}_within`][place] / 20 / 9.80665, 2)} g`;
  const feet = ["brake", "neither", "power"];
  const words = () => {
    const own = numbers(lap), [speed, speedUnit] = data.units.speed, [long, longUnit] = data.units.length;
    const gap = own.gap[place] / 1000, aside = (own.n[place] - target.n[place]) / 100 / long;
    return [
      `${Math.round((place * data.step) / long)} ${longUnit} round the lap: ${where()}.`,
      `${own.label}: ${apart(own.v[place] / 100 / speed, own.v_within[place] / 100 / speed, 1)} ${speedUnit}; ` +
        `${data.target.title}: ${fixed(target.v[place] / 100 / speed, 1)} ${speedUnit}.`,
      `${apart(gap, own.gap_within[place] / 1000, 2)} s ${gap < 0 ? "ahead" : "behind"} so far;`,
      `${apart(aside, own.n_within[place] / 100 / long, 1)} ${longUnit} farther to the ${aside < 0 ? "right" : "left"}.`,
      own.foot ? `Pedals: ${feet[own.foot[place] + 1]} (${data.target.title}: ${feet[target.foot[place] + 1]}).` : "",
      own.grip ? `Grip used: ${apart(own.grip[place], own.grip_within[place], 0)} %.` : "",
      own.ax ? `Acceleration along: ${own.ax[place] < 0 ? "−" : ""}${inG(own, "ax")}; across: ${inG(own, "ay")} to the ${own.ay[place] < 0 ? "right" : "left"}.` : "",
    ].join(" ").trim();
  };
  const showPlace = () => {
    const own = numbers(lap), text = words();
    slider.value = String(place);
    slider.setAttribute("aria-valuetext", text);
    readout.textContent = text;
    cursors.forEach((cursor) => {
      cursor.setAttribute("transform", `translate(${place * data.step * 10} 0)`);
      cursor.setAttribute("visibility", "visible");
    });
    putSpots(map, place, place);
    showGg();
  };
  /* The g-g diagram: the cursor's point of both laps, and the way through it of the part of the lap that is shown. */
  const onGg = (list, k) => [-5 * list.ay[k], -5 * list.ax[k]];
  const showGg = () => {
    if (!gg) return;
    [[".spot-target", target], [".spot-driven", numbers(lap)]].forEach(([name, list]) => {
      const [x, y] = onGg(list, place), spot = gg.querySelector(name);
      spot.setAttribute("cx", x.toFixed(0));
      spot.setAttribute("cy", y.toFixed(0));
    });
    gg.querySelector(".spots").setAttribute("visibility", "visible");
  };
  const showGgPart = () => {
    if (!gg) return;
    const own = numbers(lap), part = [];
    for (let k = Math.ceil(first); last - first < count && k <= Math.floor(last); k += 1) part.push(onGg(own, k).map((value) => value.toFixed(0)).join(" "));
    find("gg-part").setAttribute("d", part.length ? `M${part.join("L")}` : "");
    gg.classList.toggle("in-part", part.length > 0);
  };
  const alongGg = (event) => {
    const matrix = gg.getScreenCTM();
    if (!matrix) return;
    const { x, y } = new DOMPoint(event.clientX, event.clientY).matrixTransform(matrix.inverse()), own = numbers(lap);
    let best = place, least = Infinity;
    for (let k = Math.ceil(first); k <= Math.floor(last); k += 1) {
      const [px, py] = onGg(own, k), far = (px - x) ** 2 + (py - y) ** 2;
      if (far < least) { least = far; best = k; }
    }
    byHand(best);
  };
  const moveTo = (wanted) => {
    place = Math.min(Math.max(Math.round(wanted), 0), count);
    if (place < first || place > last) {
      const span = last - first;
      setView(place - span / 2, place + span / 2);
    }
    showPlace();
  };
  slider.max = String(count);
  const byHand = (wanted) => { stop(); moveTo(wanted); };
  slider.addEventListener("input", () => byHand(Number(slider.value)));

  const alongCurve = (event) => {
    const box = fields[0].ownerSVGElement.getBoundingClientRect();
    byHand(first + ((last - first) * (event.clientX - box.left)) / box.width);
  };
  const alongMap = (event) => {
    const matrix = map.getScreenCTM();
    if (!matrix) return;
    const { x, y } = new DOMPoint(event.clientX, event.clientY).matrixTransform(matrix.inverse());
    const own = numbers(lap);
    let best = place, least = Infinity;
    for (let k = 0; k <= count; k += 1) {
      const [px, py] = point(own.n, k), far = (px - x) ** 2 + (py - y) ** 2;
      if (far < least) { least = far; best = k; }
    }
    byHand(best);
  };
  const follow = (element, move) => {
    element.addEventListener("pointerdown", move);
    element.addEventListener("pointermove", (event) => { if (event.pointerType === "mouse" || event.buttons) move(event); });
  };
  document.querySelectorAll(".plot").forEach((plot) => follow(plot, alongCurve));
  follow(map, alongMap);
  if (gg) follow(gg, alongGg);

  /* ---- how much of the lap is shown */
  const whole = map.dataset.box.split(" ").map(Number);
  const shape = whole[2] / whole[3];
  const mapBox = () => {
    if (last - first >= count) return whole;
    let left = Infinity, right = -Infinity, top = Infinity, bottom = -Infinity;
    for (let k = Math.floor(first); k <= Math.ceil(last); k += 1) {
      left = Math.min(left, road.x[k]); right = Math.max(right, road.x[k]);
      top = Math.min(top, road.y[k]); bottom = Math.max(bottom, road.y[k]);
    }
    const high = Math.max(bottom - top + 2400, (right - left + 2400) / shape), wide = high * shape;
    return [(left + right - wide) / 2, (top + bottom - high) / 2, wide, high].map(Math.round);
  };
  const fitText = () => {
    const box = map.viewBox.baseVal, across = map.getBoundingClientRect();
    const unit = Math.max(box.width / across.width, box.height / across.height);
    if (!Number.isFinite(unit)) return;
    sized.forEach((text) => text.setAttribute("font-size", (Number(text.dataset.size) * unit).toFixed(0)));
    spotDriven.setAttribute("r", (6 * unit).toFixed(0));
    spotTarget.setAttribute("r", (5 * unit).toFixed(0));
    if (!gg) return;
    const small = gg.viewBox.baseVal.width / gg.getBoundingClientRect().width;
    if (!Number.isFinite(small)) return;
    gg.querySelectorAll("[data-size]").forEach((text) => text.setAttribute("font-size", (Number(text.dataset.size) * small).toFixed(0)));
    gg.querySelectorAll(".spots circle").forEach((spot) => spot.setAttribute("r", (5.5 * small).toFixed(0)));
  };
  /* Labels along an axis that are out of view or would run into the one before are left out. */
  const thinLabels = () => {
    const across = fields[0].ownerSVGElement.getBoundingClientRect().width;
    rows.forEach((row) => {
      let taken = -Infinity;
      row.map((label) => [(parseFloat(label.getAttribute("x")) * across) / 100, label]).sort(([a], [b]) => a - b).forEach(([at, label]) => {
        const half = 0.3 + 3.7 * label.textContent.length;
        const shown = at >= 0 && at <= across && at - half >= taken;
        label.setAttribute("visibility", shown ? "visible" : "hidden");
        if (shown) taken = at + half;
      });
    });
  };
  /* The time behind fills its panel whatever part of the lap is shown; what it starts with stays for the whole lap. */
  const gapField = panels.querySelector(".gap .field");
  const gapWhole = { low: Number(gapField.dataset.low), reach: Number(gapField.dataset.reach) };
  const drawn = (name, attributes, text = "") => {
    const one = document.createElementNS(gapField.namespaceURI, name);
    Object.entries(attributes).forEach(([key, value]) => one.setAttribute(key, value));
    one.textContent = text;
    return one;
  };
  const fitGap = () => {
    const own = numbers(lap), part = [];
    for (let k = Math.floor(first); k <= Math.ceil(last); k += 1) part.push(own.gap[k] - own.gap_within[k], own.gap[k] + own.gap_within[k]);
    let { low, reach } = gapWhole;
    if (last - first < count) {
      const air = Math.max(0.08 * (Math.max(...part) - Math.min(...part)), 5);
      const top = Math.max(-Math.max(...part) - air, low), bottom = Math.min(-Math.min(...part) + air, low + reach);
      [low, reach] = [top, bottom - top];
    }
    Object.assign(gapField.dataset, { low, reach });
    const rough = reach / 3.5, ten = 10 ** Math.floor(Math.log10(rough));
    const step = Math.max([1, 2, 5, 10].map((size) => size * ten).filter((size) => size <= rough).pop(), 1);
    const plot = gapField.ownerSVGElement, digits = Math.max(0, 3 - Math.floor(Math.log10(step)));
    [...gapField.querySelectorAll(".grid, .zero"), ...plot.querySelectorAll(".height")].forEach((old) => old.remove());
    for (let value = Math.ceil(-(low + reach) / step) * step; value < -low - 0.1 * reach; value += step) {
      gapField.querySelector(".band").before(drawn("path", { class: value === 0 ? "zero" : "grid", d: `M0 ${-value}H${length * 10}` }));
      plot.append(drawn("text", { class: "height", x: -5, y: `${(100 * (-value - low)) / reach}%` }, fixed(value / 1000, digits)));
    }
  };
  const setView = (from, to) => {
    const span = Math.min(Math.max(to - from, 15), count);
    first = Math.min(Math.max(from, 0), count - span);
    last = first + span;
    const start = first * data.step * 10, wide = span * data.step * 10;
    fitGap();
    fields.forEach((field) => field.setAttribute("viewBox", `${start.toFixed(1)} ${field.dataset.low} ${wide.toFixed(1)} ${field.dataset.reach}`));
    rows.forEach((row) => row.forEach((label) => label.setAttribute("x", `${((100 * (Number(label.dataset.at) - start)) / wide).toFixed(2)}%`)));
    thinLabels();
    map.setAttribute("viewBox", mapBox().join(" "));
    showGgPart();
    fitText();
  };
  const stretch = (factor) => {
    const span = (last - first) * factor;
    setView(place - span / 2, place + span / 2);
  };
  const toCorner = (step) => {
    stop();
    const apexes = data.corners.map((corner) => ((corner.apex % length) + length) % length);
    if (!apexes.length) return;
    const order = apexes.map((apex, k) => k).sort((a, b) => apexes[a] - apexes[b]);
    const here = place * data.step, gap = data.step;
    const ahead = order.filter((k) => apexes[k] > here + gap), behind = order.filter((k) => apexes[k] < here - gap);
    const k = step > 0 ? (ahead.length ? ahead[0] : order[0]) : (behind.length ? behind[behind.length - 1] : order[order.length - 1]);
    const corner = data.corners[k], shift = apexes[k] - corner.apex;
    place = Math.round(apexes[k] / data.step);
    setView((corner.from + shift - 15) / data.step, (corner.to + shift + 15) / data.step);
    showPlace();
  };
  find("whole").addEventListener("click", () => setView(0, count));
  find("next").addEventListener("click", () => toCorner(1));
  find("before").addEventListener("click", () => toCorner(-1));
  find("nearer").addEventListener("click", () => stretch(0.6));
  find("farther").addEventListener("click", () => stretch(1 / 0.6));
  const spread = find("spread");
  if (spread) spread.addEventListener("change", () => document.body.classList.toggle("with-spread", spread.checked));
  addEventListener("resize", () => { fitText(); thinLabels(); });

  /* ---- replay: both karts from the same moment on, round the map or through one corner; only when asked */
  const paces = [...document.querySelectorAll(".pace")], plays = [...document.querySelectorAll(".play")];
  const stops = find("stops"), stopped = find("stopped"), still = matchMedia("(prefers-reduced-motion: reduce)");
  const nameOf = (button) => (button.dataset.corner ? `Play corner ${button.dataset.corner}` : "Play the lap");
  const lines = [...document.querySelectorAll(".between")].map((line) => [line, line.textContent]);
  let running = null;
  /* What was played says nothing of another lap. */
  const clearScenes = () => {
    lines.forEach(([line, text]) => { line.textContent = text; });
    stopped.textContent = "";
    document.querySelectorAll(".close-up .spots").forEach((spots) => spots.setAttribute("visibility", "hidden"));
  };

  const timeAt = (list, k) => {
    const rounds = data.closed ? Math.floor(k / count) : 0;
    return between(list, k - rounds * count) + rounds * list[count];
  };
  const placeAt = (list, time) => {
    const rounds = data.closed ? Math.floor(time / list[count]) : 0, wanted = time - rounds * list[count];
    let low = 0, high = count;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (list[middle] <= wanted) low = middle; else high = middle;
    }
    const takes = list[low + 1] - list[low]; // nothing beyond the ends of an open road's timed part
    return rounds * count + low + (takes > 0 ? (wanted - list[low]) / takes : 0);
  };
  const waiting = data.cards.flatMap((card) => card.corners.map((number) => [number, card.title])).map(([number, title]) => {
    const corner = data.corners.find((one) => one.number === number);
    return corner && { at: within(corner.from / data.step), words: `Stopped before corner ${number}. ${title}` };
  }).filter(Boolean).sort((a, b) => a.at - b.at);

  const stop = (words = "") => {
    if (!running) return;
    running.button.textContent = nameOf(running.button);
    running = null;
    stopped.textContent = words;
  };
  /* Errors of the time so far grow along the lap, so that of a difference is at most both together. */
  const apartBy = (scene, k) => {
    const own = numbers(lap), base = scene.corner ? scene.from : 0;
    const gap = (timeAt(own.t, k) - timeAt(target.t, k) - timeAt(own.t, base) + timeAt(target.t, base)) / 1000;
    const error = Math.hypot(own.gap_within[Math.round(within(k))], scene.corner ? own.gap_within[Math.round(within(base))] : 0) / 1000;
    return `${apart(gap, error, 2)} s ${gap < 0 ? "ahead of" : "behind"} ${data.target.title}${scene.corner ? " in this corner" : ""}`;
  };
  const showMoment = (scene) => {
    const own = numbers(lap);
    const clock = still.matches ? 500 * Math.floor(scene.clock / 500) : scene.clock; // in steps where motion is unwelcome
    const places = [own.t, target.t].map((list) => {
      const time = timeAt(list, scene.from) + clock;
      return time < timeAt(list, scene.to) ? placeAt(list, time) : scene.to;
    });
    if (!scene.corner) moveTo(places[0]);
    putSpots(scene.picture, ...places);
    scene.line.textContent = `${own.label}: ${apartBy(scene, places[0])}`;
    return places;
  };
  const step = (now) => {
    const scene = running;
    if (!scene) return;
    const before = scene.driven, own = numbers(lap);
    scene.clock += Number(paces[0].value) * Math.min(now - (scene.now || now), 250);
    scene.now = now;
    const reached = placeAt(own.t, timeAt(own.t, scene.from) + scene.clock);
    const halt = !scene.corner && stops && stops.checked && waiting.find((one) => one.at > before + 0.01 && one.at <= reached);
    if (halt) scene.clock = timeAt(own.t, halt.at) - timeAt(own.t, scene.from);
    const places = showMoment(scene);
    scene.driven = halt ? halt.at : reached;
    if (halt) { resume = halt.at; stop(halt.words); }
    else if (Math.min(...places) >= scene.to) stop();
    else requestAnimationFrame(step);
  };
  let resume = -1; // where a stop was made: the slider only knows whole stations
  const start = (button) => {
    const corner = data.corners.find((one) => String(one.number) === button.dataset.corner), figure = button.closest("figure");
    const scene = { button, corner, picture: figure.querySelector("svg"), line: figure.querySelector(".between"), from: data.ends[0], to: data.ends[1], clock: 0 };
    if (corner) [scene.from, scene.to] = [corner.from / data.step, corner.to / data.step].map((k) => (data.closed ? k : within(k)));
    else if (place > scene.from && place < scene.to) scene.clock = numbers(lap).t[place];
    if (!corner && Math.round(resume) === place) scene.clock = timeAt(numbers(lap).t, resume);
    scene.driven = placeAt(numbers(lap).t, timeAt(numbers(lap).t, scene.from) + scene.clock);
    stopped.textContent = "";
    button.textContent = "Stop";
    running = scene;
    requestAnimationFrame(step);
  };
  const toggle = (button) => {
    const own = running && running.button === button;
    stop();
    if (!own) start(button);
  };
  plays.forEach((button) => button.addEventListener("click", () => toggle(button)));
  paces.forEach((pace) => pace.addEventListener("change", () => paces.forEach((other) => { other.value = pace.value; })));
  slider.addEventListener("keydown", (event) => { if (event.key === " ") { event.preventDefault(); toggle(find("play")); } });
  addEventListener("keydown", (event) => { if (event.key === "Escape") stop(); });
  document.querySelectorAll(".replay").forEach((controls) => { controls.hidden = false; });

  /* ---- table */
  const table = find("table"), body = table.tBodies[0], heads = [...table.tHead.rows[0].cells];
  let column = 0, direction = 1;
  const value = (row) => {
    if (column === 0) return Number(row.dataset.order);
    const number = parseFloat(row.cells[column].textContent.replace("−", "-"));
    return Number.isNaN(number) ? null : number;
  };
  const sortAgain = () => {
    const rows = [...body.rows].map((row) => [value(row), row]);
    rows.sort(([a], [b]) => (a === null) - (b === null) || direction * (a - b));
    body.append(...rows.map(([, row]) => row));
  };
  heads.forEach((head, k) => {
    const button = head.querySelector("button");
    button.disabled = false;
    button.addEventListener("click", () => {
      direction = column === k ? -direction : k === 0 ? 1 : -1;
      column = k;
      heads.forEach((other) => other.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", direction > 0 ? "ascending" : "descending");
      sortAgain();
    });
  });

  /* ---- notes: kept in the page's own file, which the browser hands over as a download */
  const notes = [...document.querySelectorAll(".note")], saved = find("saved");
  let unsaved = false;
  const noted = (block) => block.querySelector("textarea").value.trim();
  const mirror = (block) => {
    block.querySelector(".noted").textContent = noted(block);
    if (block.dataset.note === "page") find("card-note").textContent = noted(block);
  };
  notes.forEach((block) => {
    block.classList.add("typed");
    mirror(block);
    block.querySelector("label").hidden = false;
    block.addEventListener("input", () => {
      mirror(block);
      unsaved = true;
      find("save").hidden = false;
      saved.textContent = "Notes not saved yet.";
    });
  });
  const withNotes = () => {
    const page = asMade.cloneNode(true);
    notes.forEach((block) => {
      const copy = page.querySelector(`[data-note="${block.dataset.note}"]`);
      copy.querySelector("textarea").textContent = copy.querySelector(".noted").textContent = noted(block);
    });
    return `<!doctype html>\n${page.outerHTML}\n`;
  };
  document.querySelectorAll(".save").forEach((button) => button.addEventListener("click", () => {
    const link = document.createElement("a"), name = decodeURIComponent(location.pathname.split("/").pop()) || "review.html";
    link.href = URL.createObjectURL(new Blob([withNotes()], { type: "text/html" }));
    link.download = `${name.replace(/(-with-notes)?( \(\d+\))?\.html?$/, "")}-with-notes.html`;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
    unsaved = false;
    find("save").hidden = true;
    saved.textContent = `Handed to your browser as ${link.download}.`;
  }));
  addEventListener("beforeunload", (event) => { if (unsaved) event.preventDefault(); });
  document.querySelectorAll(".needs-script").forEach((part) => { part.hidden = false; });

  /* ---- print: folded parts that belong on paper, and the driver card alone */
  const folded = [...document.querySelectorAll("details.printed:not([open])")], unfold = !CSS.supports("selector(::details-content)");
  addEventListener("beforeprint", () => { if (unfold) folded.forEach((part) => { part.open = true; }); });
  addEventListener("afterprint", () => {
    if (unfold) folded.forEach((part) => { part.open = false; });
    document.documentElement.classList.remove("card-only");
  });
  find("print-card").addEventListener("click", () => { document.documentElement.classList.add("card-only"); print(); });

  /* ---- a link to a corner opens it */
  const openLinked = () => {
    const linked = find(location.hash.slice(1));
    if (linked && linked.tagName === "DETAILS") linked.open = true;
  };
  document.addEventListener("click", (event) => {
    const link = event.target.closest && event.target.closest('a[href^="#corner-"]');
    const linked = link && find(link.getAttribute("href").slice(1));
    if (linked) linked.open = true;
  });
  addEventListener("hashchange", openLinked);

  /* ---- light and dark */
  const theme = find("theme"), page = document.documentElement;
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const remembered = () => { try { return localStorage.getItem("linelab-theme"); } catch { return null; } };
  const remember = (name) => { try { localStorage.setItem("linelab-theme", name); } catch { /* a file may have no memory */ } };
  const isDark = () => (page.dataset.theme || (dark.matches ? "dark" : "light")) === "dark";
  const nameTheme = () => { theme.textContent = isDark() ? "Light page" : "Dark page"; };
  if (["light", "dark"].includes(remembered())) page.dataset.theme = remembered();
  theme.addEventListener("click", () => {
    page.dataset.theme = isDark() ? "light" : "dark";
    remember(page.dataset.theme);
    nameTheme();
  });
  dark.addEventListener("change", nameTheme);
  theme.hidden = false;
  nameTheme();

  find("controls").hidden = false;
  markLap();
  setView(0, count);
  moveTo(0);
  openLinked();
})();
