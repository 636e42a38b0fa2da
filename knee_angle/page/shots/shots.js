// The photos of a visit, and the phone's own camera.
//
// A picture is scaled to `longest` px, keeps focal length and time of its EXIF and nothing else,
// and is sent until it has arrived: the visit's draft on the server takes it whether the page is
// connected or not. What is sent twice is kept once, as it is named by its content.

import { tellIn, told } from "../knee-angle.telling/telling.js";

const WAITS_MS = [500, 1000, 2000, 4000, 8000, 15000];
const QUALITY = 0.88;
const strips = new WeakMap();

export default function (component) {
  const { data, parentElement } = component;
  let strip = strips.get(parentElement);
  if (!strip || strip.root !== parentElement.querySelector(".shots")) {
    strip = new Strip(parentElement);
    strips.set(parentElement, strip);
  }
  strip.choose = (sha) => component.setTriggerValue("chosen", sha);
  strip.arrived = (sha) => component.setTriggerValue("arrived", sha);
  strip.take(data);
}

class Strip {
  constructor(parent) {
    this.root = parent.querySelector(".shots");
    for (const name of ["photos", "take", "waiting", "print"]) this[`${name}Part`] = this.root.querySelector("." + name);
    this.input = this.root.querySelector("input");
    this.input.addEventListener("change", () => this.sendChosen());
    this.printPart.addEventListener("click", () => window.print());
    commaIsAPoint(this.root.ownerDocument);
  }

  tell(text, values = {}) {
    return told(this.data.words, text, values);
  }

  sendChosen() {
    for (const file of this.input.files) this.send(file);
    this.input.value = "";
  }

  take(data) {
    this.data = data;
    this.root.setAttribute("aria-busy", "false"); // from here on a photo is sent whatever the network does
    tellIn(this.root, data.words);
    document.documentElement.lang = data.language;
    const full = data.room <= 0 || !data.address;
    this.input.disabled = full;
    this.takePart.classList.toggle("full", full);
    this.printPart.hidden = data.photos.length === 0 || !data.print;
    this.photosPart.replaceChildren(...data.photos.map((photo) => {
      const button = document.createElement("button");
      button.type = "button";
      button.setAttribute("aria-pressed", String(photo.sha === data.chosen));
      const picture = document.createElement("img");
      picture.src = photo.picture;
      picture.alt = "";
      const taken = photo.taken ? this.tell(", taken {at}", { at: photo.taken }) : "";
      button.title = photo.label + taken;
      button.append(picture, line(`${photo.label}`), line(photo.shown, photo.shown.endsWith("?") ? "none" : ""));
      button.addEventListener("click", () => this.choose(photo.sha));
      const item = document.createElement("li");
      item.append(button);
      return item;
    }));
    // Over a slow network a photo can be chosen before this script is there.
    if (!full && this.input.files.length) this.sendChosen();
  }

  async send(file) {
    const item = document.createElement("li");
    const said = line(this.tell("Getting the photo ready …"));
    const bar = document.createElement("progress");
    bar.max = 1;
    bar.value = 0;
    item.append(said, bar);
    this.waitingPart.append(item);
    const body = await scaled(file, this.data.longest);
    for (let turn = 0; ; turn += 1) {
      said.textContent = turn ? this.tell("Sending the photo again …") : this.tell("Sending the photo …");
      const answer = await post(this.data.address, this.data.language, body, (share) => { bar.value = share; });
      if (answer.ok) {
        said.textContent = this.tell("Looking for the leg …");
        bar.removeAttribute("value");
        this.arrived(answer.sha256);
        setTimeout(() => item.remove(), 1500);
        return;
      }
      if (answer.refused) {
        said.textContent = answer.refused;
        bar.remove();
        const done = document.createElement("button");
        done.type = "button";
        done.textContent = this.tell("Understood");
        done.addEventListener("click", () => item.remove());
        item.append(done);
        return;
      }
      bar.value = 0;
      said.textContent = answer.said || this.tell("No connection. The photo waits here and is sent again.");
      await pause(WAITS_MS[Math.min(turn, WAITS_MS.length - 1)]);
    }
  }
}

// A number typed with a decimal comma is that number: browsers set to English drop the comma.
function commaIsAPoint(page) {
  if (page.commaIsAPoint) return;
  page.commaIsAPoint = true;
  page.addEventListener("beforeinput", (event) => {
    if (event.data !== "," || !event.target.matches?.("input[type=number]")) return;
    event.preventDefault();
    page.execCommand("insertText", false, ".");
  });
}

function pause(ms) {
  return new Promise((done) => {
    const go = () => { clearTimeout(timer); window.removeEventListener("online", go); done(); };
    const timer = setTimeout(go, ms);
    window.addEventListener("online", go);
  });
}

// One attempt: ok, refused with words, or neither where the connection broke.
function post(address, language, body, progress) {
  return new Promise((done) => {
    const request = new XMLHttpRequest();
    request.open("POST", address);
    request.setRequestHeader("content-type", "application/octet-stream");
    request.setRequestHeader("accept-language", language);
    request.timeout = 120000;
    request.upload.addEventListener("progress", (event) => progress(event.loaded / event.total));
    request.addEventListener("load", () => {
      if (request.status === 200) done({ ok: true, ...JSON.parse(request.responseText) });
      else if (request.status >= 400 && request.status < 500) done({ refused: request.responseText.slice(0, 300) });
      else done({ said: request.status === 507 ? request.responseText.slice(0, 300) : "" });
    });
    for (const kind of ["error", "timeout", "abort"]) request.addEventListener(kind, () => done({}));
    request.send(body);
  });
}

// ---- scaling, and the few EXIF entries that count ------------------------------------------

async function scaled(file, longest) {
  let picture;
  try {
    picture = await createImageBitmap(file);
  } catch {
    return file; // a kind that this browser cannot read: the server says what it thinks of it
  }
  const share = longest / Math.max(picture.width, picture.height);
  if (share >= 1) return file;
  const canvas = document.createElement("canvas");
  canvas.width = Math.round(picture.width * share);
  canvas.height = Math.round(picture.height * share);
  const pen = canvas.getContext("2d");
  pen.imageSmoothingQuality = "high";
  pen.drawImage(picture, 0, 0, canvas.width, canvas.height);
  picture.close();
  const blob = await new Promise((done) => canvas.toBlob(done, "image/jpeg", QUALITY));
  const exif = exifOf(new DataView(await file.slice(0, 262144).arrayBuffer()));
  return exif ? new Blob([blob.slice(0, 2), exif, blob.slice(2)], { type: "image/jpeg" }) : blob;
}

const KEPT = { 0x9003: "ascii", 0x9011: "ascii", 0xa405: "short" };

// An EXIF block with time, its zone and the 35 mm focal length of another one; null without any.
export function exifOf(view) {
  const found = {};
  try {
    const tiff = tiffStart(view);
    if (tiff === null) return null;
    const little = view.getUint16(tiff) === 0x4949;
    const pointer = entriesOf(view, tiff, tiff + view.getUint32(tiff + 4, little), little)
      .find((one) => one.tag === 0x8769);
    if (!pointer) return null;
    for (const one of entriesOf(view, tiff, tiff + view.getUint32(pointer.at, little), little)) {
      if (KEPT[one.tag] === "short") found[one.tag] = view.getUint16(one.at, little);
      if (KEPT[one.tag] === "ascii" && one.count <= 40) {
        const at = one.count > 4 ? tiff + view.getUint32(one.at, little) : one.at;
        found[one.tag] = Array.from({ length: one.count }, (_, k) => view.getUint8(at + k));
      }
    }
  } catch {
    return null; // broken EXIF: the picture is still a picture
  }
  return Object.keys(found).length ? exifBlock(found) : null;
}

function tiffStart(view) {
  if (view.getUint16(0) !== 0xffd8) return null;
  for (let at = 2; at + 4 < view.byteLength; at += 2 + view.getUint16(at + 2)) {
    const marker = view.getUint16(at);
    if (marker === 0xffe1 && view.getUint32(at + 4) === 0x45786966) return at + 10;
    if ((marker & 0xff00) !== 0xff00 || marker === 0xffda) return null;
  }
  return null;
}

function entriesOf(view, tiff, start, little) {
  const count = view.getUint16(start, little);
  return Array.from({ length: Math.min(count, 200) }, (_, k) => {
    const at = start + 2 + 12 * k;
    return { tag: view.getUint16(at, little), count: view.getUint32(at + 4, little), at: at + 8 };
  });
}

function exifBlock(found) {
  const tags = Object.keys(found).map(Number).sort((a, b) => a - b);
  const texts = tags.filter((tag) => KEPT[tag] === "ascii" && found[tag].length > 4);
  const head = 8 + 2 + 12 + 4; // TIFF's head, and one entry that points on
  const own = 2 + 12 * tags.length + 4;
  const size = head + own + texts.reduce((sum, tag) => sum + found[tag].length, 0);
  const bytes = new Uint8Array(10 + size);
  const view = new DataView(bytes.buffer);
  view.setUint16(0, 0xffe1);
  view.setUint16(2, 8 + size);
  bytes.set([0x45, 0x78, 0x69, 0x66, 0, 0], 4);
  const tiff = 10;
  bytes.set([0x4d, 0x4d, 0, 42, 0, 0, 0, 8], tiff);
  view.setUint16(tiff + 8, 1);
  put(view, tiff + 10, 0x8769, 4, 1);
  view.setUint32(tiff + 18, head);
  view.setUint16(tiff + head, tags.length);
  let free = head + own;
  tags.forEach((tag, k) => {
    const at = tiff + head + 2 + 12 * k;
    if (KEPT[tag] === "short") {
      put(view, at, tag, 3, 1);
      view.setUint16(at + 8, found[tag]);
      return;
    }
    put(view, at, tag, 2, found[tag].length);
    if (found[tag].length > 4) {
      view.setUint32(at + 8, free);
      bytes.set(found[tag], tiff + free);
      free += found[tag].length;
    } else {
      bytes.set(found[tag], at + 8);
    }
  });
  return bytes;
}

function put(view, at, tag, kind, count) {
  view.setUint16(at, tag);
  view.setUint16(at + 2, kind);
  view.setUint32(at + 4, count);
}

function line(text, className = "") {
  const made = document.createElement("span");
  made.textContent = text;
  made.className = className;
  return made;
}
