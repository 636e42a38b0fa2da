// The points editor: a photo whose named points are moved by finger, mouse or key.
//
// Conventions as everywhere: points are pixels of the full-size upright photo, x right,
// y down; flexion 0 is straight. The picture shown is a smaller copy of it.
//
// Streamlit calls the default function again whenever the data change, and may put the
// same component into another element: what belongs to one element is kept per element,
// and points are taken over anew only when the data's revision changes, never mid-drag.

import { tellIn, told } from "../knee-angle.telling/telling.js";

const KEY_STEP = 0.001; // of the longer side: about 1.6 px in a photo of 1600
const BIG = 10;
const ZOOM = 3;
const ENLARGED = [1, 1.6, 2.5, 4];
const QUIET_MS = 250; // after the last key, before the server is asked
const LENS_MS = 1200;

const tell = (text) => text; // told later, in the visitor's language
const MOVED = tell("{point} moved.");
const PLACED = tell("{point} placed.");
const REMOVED = tell("{point} removed.");

const editors = new WeakMap();

// Knee flexion flat in the picture, in degrees; negative is hyperextension.
// As geometry.signed_flexion_deg: a left leg turns anticlockwise from thigh to shank.
// Without a known side it is unsigned.
export function flatFlexion(hip, knee, ankle, side) {
  const [tx, ty] = [knee[0] - hip[0], knee[1] - hip[1]];
  const [sx, sy] = [ankle[0] - knee[0], ankle[1] - knee[1]];
  const across = tx * sy - ty * sx;
  const along = tx * sx + ty * sy;
  const turned = side === "left" ? -across : side === "right" ? across : Math.abs(across);
  return (Math.atan2(turned, along) * 180) / Math.PI;
}

export default function (component) {
  const { data, parentElement } = component;
  let editor = editors.get(parentElement);
  if (!editor || editor.root !== parentElement.querySelector(".editor")) {
    editor = new Editor(parentElement);
    editors.set(parentElement, editor);
  }
  editor.send = (value) => component.setStateValue("points", value);
  editor.take(data);
  return () => editor.stop();
}

class Editor {
  constructor(parent) {
    this.root = parent.querySelector(".editor");
    const part = (name) => this.root.querySelector("." + name);
    for (const name of ["hint", "stage", "picture", "lines", "handles", "lens", "degrees",
                        "undo", "reset", "chips", "view", "in", "out", "step", "remove", "live"]) {
      this[name] = part(name);
    }
    this.revision = null;
    this.points = {};
    this.removed = [];
    this.history = [];
    this.buttons = {};
    this.chosen = null;
    this.drag = null;
    this.waiting = null;
    this.big = false;
    this.enlarged = 0;
    this.sent = "";
    this.listen();
  }

  // ---- data in, points out ------------------------------------------------------------

  take(data) {
    if (data && data.language !== this.language) {
      this.language = data.language;
      this.words = data.words;
      tellIn(this.root, data.words);
      if (this.data) {
        for (const point of data.names) this.relabel(point);
        this.draw();
      }
    }
    if (!data || data.revision === this.revision) return;
    if (this.drag) {
      this.waiting = data;
      return;
    }
    this.data = data;
    this.revision = data.revision;
    this.root.dataset.revision = data.revision;
    this.points = structuredClone(data.points);
    this.removed = [...data.removed];
    this.history = [];
    this.sent = JSON.stringify(this.value());
    this.chosen = null;
    this.picture.src = data.picture;
    this.picture.width = data.width;
    this.picture.height = data.height;
    this.lens.style.backgroundImage = `url("${data.picture}")`;
    this.lines.setAttribute("viewBox", `0 0 ${data.width} ${data.height}`);
    this.enlarge(0);
    this.build();
    this.draw();
  }

  // Whole at first: as wide as there is room for its height; larger about the chosen point.
  enlarge(step) {
    const { width, height } = this.data;
    const before = this.stage.clientWidth;
    this.enlarged = Math.min(Math.max(step, 0), ENLARGED.length - 1);
    const tallest = parseFloat(getComputedStyle(this.view).maxHeight) || Infinity;
    const fit = Math.min(this.view.clientWidth || Infinity, (tallest * width) / height);
    if (Number.isFinite(fit)) this.stage.style.setProperty("--fit", `${Math.floor(fit)}px`);
    this.stage.style.setProperty("--zoom", String(ENLARGED[this.enlarged]));
    this.out.disabled = this.enlarged === 0;
    this.in.disabled = this.enlarged === ENLARGED.length - 1;
    const about = this.points[this.chosen] ?? this.points.knee ?? { x: width / 2, y: height / 2 };
    const scale = this.stage.clientWidth / width;
    if (before) {
      this.view.scrollLeft = about.x * scale - this.view.clientWidth / 2;
      this.view.scrollTop = about.y * scale - this.view.clientHeight / 2;
    }
  }

  value() {
    const moved = {};
    for (const [name, at] of Object.entries(this.points)) {
      if (at.by === "manual") moved[name] = [round(at.x), round(at.y)];
    }
    return { revision: this.revision, moved, removed: this.removed };
  }

  commit() {
    clearTimeout(this.timer);
    this.timer = null;
    const value = this.value();
    const text = JSON.stringify(value);
    if (text === this.sent) {
      this.stale(false);
      return;
    }
    this.sent = text;
    this.send(value);
  }

  commitSoon() {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.commit(), QUIET_MS);
  }

  // The answer on the page belongs to the points it was computed from: until the new one
  // comes, the old one is marked (the new one arrives as a new piece of page, unmarked).
  stale(is) {
    for (const answer of this.root.ownerDocument.querySelectorAll(".answer")) {
      answer.toggleAttribute("data-stale", is);
    }
  }

  // ---- what is drawn ------------------------------------------------------------------

  build() {
    this.handles.replaceChildren();
    this.chips.replaceChildren();
    this.buttons = {};
    for (const point of this.data.names) {
      const handle = element("button", `handle ${point.kind}`);
      handle.type = "button";
      handle.dataset.name = point.name;
      handle.append(element("span", "mark"), element("span", "name", point.label));
      const chip = element("button", "chip");
      chip.type = "button";
      chip.dataset.name = point.name;
      this.handles.append(handle);
      this.chips.append(chip);
      this.buttons[point.name] = { handle, chip, ...point };
    }
  }

  draw() {
    const { width, height } = this.data;
    const next = this.toPlace();
    for (const [name, button] of Object.entries(this.buttons)) {
      const at = this.points[name];
      const { handle, chip, label } = button;
      handle.hidden = !at;
      handle.classList.toggle("chosen", name === this.chosen);
      if (at) {
        handle.style.left = `${(100 * at.x) / width}%`;
        handle.style.top = `${(100 * at.y) / height}%`;
        handle.classList.toggle("leftward", at.x > 0.85 * width);
        handle.classList.toggle("rightward", at.x < 0.15 * width);
        handle.classList.toggle("above", at.y > (name === "knee" ? 0.15 : 0.85) * height);
        handle.setAttribute("aria-label", this.tell("{point}, {x} right, {y} down", {
          point: label, x: Math.round(at.x), y: Math.round(at.y),
        }));
      }
      chip.textContent = at ? label : `+ ${label}`;
      chip.classList.toggle("missing", !at);
      chip.setAttribute("aria-pressed", String(name === (this.chosen ?? next)));
    }
    const missing = next && !this.points[next];
    this.hint.textContent = missing
      ? this.tell("Tap the {point} in the photo.", { point: this.inText(this.buttons[next].label) })
      : this.tell("Are the points where they belong? Drag one to move it.");
    this.hint.classList.toggle("ask", Boolean(missing));
    this.stage.classList.toggle("placing", Boolean(missing));
    this.undo.disabled = this.history.length === 0;
    this.reset.disabled = Object.keys(this.value().moved).length + this.removed.length === 0;
    const mine = this.chosen && this.points[this.chosen];
    for (const arrow of this.root.querySelectorAll("[data-dx]")) arrow.disabled = !mine;
    this.remove.hidden = !mine || this.buttons[this.chosen].kind === "leg";
    this.drawLines();
    this.drawAngle();
  }

  drawLines() {
    const p = this.points;
    // A bone or bar runs from one point to the next: where one is missing, nothing joins its neighbours.
    const between = (names, look) => names.slice(1)
      .map((name, k) => [p[names[k]], p[name]])
      .filter(([start, end]) => start && end)
      .map(([start, end]) => shape("polyline", look, `${start.x},${start.y} ${end.x},${end.y}`));
    const parts = this.data.tags.map((quad) => shape("polygon", "tag", quad.join(" ")));
    for (const ring of this.data.unused) {
      parts.push(shape("polygon", "under", ring.join(" ")), shape("polygon", "unused", ring.join(" ")));
    }
    const bars = ["thigh_bar", "hinge", "shank_bar"];
    const leg = ["hip", "knee", "ankle"];
    parts.push(...between(bars, "under"), ...between(bars, "machine"));
    if (p.hip && p.knee) {
      const onward = [p.knee.x + 0.5 * (p.knee.x - p.hip.x), p.knee.y + 0.5 * (p.knee.y - p.hip.y)];
      parts.push(shape("polyline", "onward", `${p.knee.x},${p.knee.y} ${onward}`));
    }
    parts.push(...between(leg, "under"), ...between(leg, "leg"));
    this.lines.replaceChildren(...parts);
  }

  drawAngle() {
    const { hip, knee, ankle } = this.points;
    const xy = (at) => [at.x, at.y];
    this.root.classList.toggle("blind", Boolean(this.data.blind));
    this.flat = hip && knee && ankle && !this.data.blind
      ? flatFlexion(xy(hip), xy(knee), xy(ankle), this.data.side)
      : null;
    this.degrees.textContent = this.flat === null ? "–" : this.degreesOf(this.flat);
  }

  showLens(name) {
    const at = this.points[name];
    const { width, height } = this.data;
    const [w, h] = [this.stage.clientWidth, this.stage.clientHeight];
    const [x, y] = [(at.x / width) * w, (at.y / height) * h];
    const half = 63; // inside its border
    // Above the finger; near the upper edge beside it, towards the middle.
    const beside = y < 150;
    const lx = beside ? x + (x > w / 2 ? -130 : 130) : x;
    const ly = beside ? Math.max(y, 66) : y - 110;
    this.lens.style.left = `${Math.min(Math.max(lx, 66), w - 66)}px`;
    this.lens.style.top = `${ly}px`;
    this.lens.style.backgroundSize = `${w * ZOOM}px ${h * ZOOM}px`;
    this.lens.style.backgroundPosition = `${half - x * ZOOM}px ${half - y * ZOOM}px`;
    this.lens.classList.add("shown");
    clearTimeout(this.lensTimer);
  }

  hideLens(after = 0) {
    clearTimeout(this.lensTimer);
    this.lensTimer = setTimeout(() => this.lens.classList.remove("shown"), after);
  }

  tell(text, values = {}) {
    return told(this.words, text, values);
  }

  // In English a name loses its capital inside a sentence, in German a noun keeps it.
  inText(label) {
    return this.language === "en" ? label.toLowerCase() : label;
  }

  degreesOf(value) {
    return degrees(value).replace(".", this.data.decimal);
  }

  relabel({ name, label }) {
    const button = this.buttons[name];
    if (!button) return;
    button.label = label;
    button.handle.querySelector(".name").textContent = label;
  }

  say(text) {
    clearTimeout(this.sayTimer);
    this.sayTimer = setTimeout(() => { this.live.textContent = text; }, 150);
  }

  told(name, what) {
    const flat = this.flat === null ? ""
      : this.tell(" Flat in the picture {angle}.", { angle: this.degreesOf(this.flat) });
    this.say(this.tell(what, { point: this.buttons[name].label }) + flat);
  }

  // ---- changes ------------------------------------------------------------------------

  remember() {
    this.history.push({ points: structuredClone(this.points), removed: [...this.removed] });
    if (this.history.length > 100) this.history.shift();
  }

  put(name, x, y) {
    const { width, height } = this.data;
    this.points[name] = {
      x: Math.min(Math.max(x, 0), width),
      y: Math.min(Math.max(y, 0), height),
      by: "manual",
    };
    this.removed = this.removed.filter((other) => other !== name);
    this.stale(true);
  }

  nudge(name, dx, dy, far) {
    const at = this.points[name];
    if (!at) return;
    const step = KEY_STEP * Math.max(this.data.width, this.data.height) * (far ? BIG : 1);
    // A row of key presses is one change to undo.
    if (this.nudging !== name || !this.timer) this.remember();
    this.nudging = name;
    this.put(name, at.x + dx * step, at.y + dy * step);
    this.choose(name);
    this.showLens(name);
    this.hideLens(LENS_MS);
    this.told(name, MOVED);
    this.commitSoon();
  }

  choose(name) {
    this.chosen = name;
    this.draw();
  }

  // The point that the next tap places: the chosen one if it is missing, else the first
  // of hip, knee, ankle that is.
  toPlace() {
    if (this.chosen && !this.points[this.chosen]) return this.chosen;
    return this.data.names.map((n) => n.name)
      .find((name) => this.buttons[name].kind === "leg" && !this.points[name]) ?? null;
  }

  place(event) {
    const name = this.toPlace();
    if (!name) return;
    this.remember();
    this.put(name, ...this.inPhoto(event.clientX, event.clientY));
    this.choose(name);
    this.told(name, PLACED);
    this.commit();
  }

  // By keys alone: a point that is missing begins in the middle of what is seen, and takes the
  // arrow keys.
  begin(event) {
    const name = event.target.dataset.name;
    if (!["Enter", " "].includes(event.key) || !name || this.points[name]) return;
    event.preventDefault();
    const box = this.view.getBoundingClientRect();
    this.remember();
    this.put(name, ...this.inPhoto(box.left + box.width / 2, box.top + box.height / 2));
    this.choose(name);
    this.buttons[name].handle.focus({ preventScroll: true });
    this.told(name, PLACED);
    this.commit();
  }

  back(to) {
    if (!to) return;
    this.points = to.points;
    this.removed = to.removed;
    if (this.chosen && !this.points[this.chosen]) this.chosen = null;
    this.stale(true);
    this.draw();
    this.commit();
  }

  inPhoto(clientX, clientY) {
    const box = this.stage.getBoundingClientRect();
    return [
      ((clientX - box.left) / box.width) * this.data.width,
      ((clientY - box.top) / box.height) * this.data.height,
    ];
  }

  // Handles of 44 px overlap where points lie close (hinge and knee): the finger takes the
  // chosen one if that is under it, else the nearest.
  under(event, fallback) {
    const [x, y] = this.inPhoto(event.clientX, event.clientY);
    const scale = this.stage.clientWidth / this.data.width;
    const away = (name) => Math.hypot(this.points[name].x - x, this.points[name].y - y) * scale;
    if (this.chosen && this.points[this.chosen] && away(this.chosen) <= 22) return this.chosen;
    const near = Object.keys(this.points).sort((a, b) => away(a) - away(b));
    return near[0] ?? fallback;
  }

  // ---- finger, mouse and keys ---------------------------------------------------------

  listen() {
    const on = (target, kind, act) => target.addEventListener(kind, act);
    on(this.handles, "pointerdown", (event) => this.grab(event));
    on(this.handles, "pointermove", (event) => this.pull(event));
    on(this.handles, "pointerup", (event) => this.drop(event, true));
    on(this.handles, "pointercancel", (event) => this.drop(event, false));
    on(this.handles, "focusin", (event) => {
      const name = event.target.dataset.name;
      if (name && !this.drag) this.choose(name);
    });
    on(this.handles, "keydown", (event) => this.key(event));
    on(this.stage, "click", (event) => {
      if (!event.target.closest(".handle")) this.place(event);
    });
    on(this.chips, "click", (event) => {
      const chip = event.target.closest("button");
      if (chip) this.choose(chip.dataset.name);
    });
    on(this.chips, "keydown", (event) => this.begin(event));
    for (const arrow of this.root.querySelectorAll("[data-dx]")) {
      on(arrow, "click", () => this.nudge(
        this.chosen, Number(arrow.dataset.dx), Number(arrow.dataset.dy), this.big));
    }
    on(this.step, "click", () => {
      this.big = !this.big;
      this.step.setAttribute("aria-pressed", String(this.big));
    });
    on(this.in, "click", () => this.enlarge(this.enlarged + 1));
    on(this.out, "click", () => this.enlarge(this.enlarged - 1));
    this.turned = () => this.data && this.enlarge(this.enlarged);
    window.addEventListener("resize", this.turned);
    on(this.undo, "click", () => {
      this.back(this.history.pop());
      this.say(this.tell("Undone."));
    });
    on(this.reset, "click", () => {
      this.remember();
      this.back({ points: structuredClone(this.data.found), removed: [] });
      this.say(this.tell("The points are as they were found."));
    });
    // A number that is typed but not yet sent makes the answer an old one, too.
    this.typing = (event) => {
      const box = event.target.closest?.("[class*='st-key-input-number-']");
      const answer = this.root.ownerDocument.querySelector(".answer");
      if (!box || !answer) return;
      const [typed, used] = [event.target.value, answer.dataset.number];
      // 93.0 is 93: no new answer would come.
      this.stale((typed === "") !== (used === "") || Number(typed) !== Number(used));
    };
    this.root.ownerDocument.addEventListener("input", this.typing);
    on(this.remove, "click", () => {
      const name = this.chosen;
      this.remember();
      delete this.points[name];
      if (this.data.found[name] && !this.removed.includes(name)) this.removed.push(name);
      this.chosen = null;
      this.stale(true);
      this.draw();
      this.told(name, REMOVED);
      this.commit();
    });
  }

  grab(event) {
    const handle = event.target.closest(".handle");
    if (!handle || this.drag || event.button > 0) return;
    event.preventDefault();
    const name = this.under(event, handle.dataset.name);
    const { x, y } = this.points[name];
    handle.setPointerCapture(event.pointerId);
    // The point moves as far as the finger does: it does not jump when it is touched, nor
    // when the page moves under the finger because an answer above it grows.
    this.drag = { id: event.pointerId, name, x, y, started: false,
                  from: [event.clientX, event.clientY] };
    this.buttons[name].handle.focus({ preventScroll: true });
    this.choose(name);
    this.showLens(name);
  }

  pull(event) {
    const drag = this.drag;
    if (!drag || event.pointerId !== drag.id) return;
    const [dx, dy] = [event.clientX - drag.from[0], event.clientY - drag.from[1]];
    if (!drag.started) {
      if (Math.hypot(dx, dy) < 2) return;
      drag.started = true;
      this.remember();
    }
    const scale = this.data.width / this.stage.clientWidth;
    this.put(drag.name, drag.x + dx * scale, drag.y + dy * scale);
    this.draw();
    this.showLens(drag.name);
  }

  drop(event, kept) {
    const drag = this.drag;
    if (!drag || event.pointerId !== drag.id) return;
    if (kept) this.pull(event); // the last stretch may have come with the finger's lifting
    this.drag = null;
    this.hideLens();
    if (this.waiting) {
      const data = this.waiting;
      this.waiting = null;
      this.take(data);
      return;
    }
    if (!drag.started) return;
    if (kept) {
      this.told(drag.name, MOVED);
      this.commit();
    } else {
      this.back(this.history.pop());
    }
  }

  key(event) {
    const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    const way = step[event.key];
    const name = event.target.dataset.name;
    if (way && name) {
      event.preventDefault();
      this.nudge(name, way[0], way[1], event.shiftKey);
    } else if (event.key.toLowerCase() === "z" && (event.ctrlKey || event.metaKey)) {
      event.preventDefault();
      this.back(this.history.pop());
    }
  }

  stop() {
    clearTimeout(this.timer);
    clearTimeout(this.lensTimer);
    clearTimeout(this.sayTimer);
    this.root.ownerDocument.removeEventListener("input", this.typing);
    window.removeEventListener("resize", this.turned);
  }
}

function element(kind, className, text = "") {
  const made = document.createElement(kind);
  made.className = className;
  made.textContent = text;
  return made;
}

function shape(kind, className, points) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", kind);
  made.setAttribute("class", className);
  made.setAttribute("points", points);
  return made;
}

function round(x) {
  return Math.round(x * 100) / 100;
}

// One decimal, a true minus, no negative zero: as wording.degrees.
function degrees(value) {
  const rounded = Math.round(value * 10) / 10 + 0;
  return rounded.toFixed(1).replace("-", "\u2212") + "°";
}
