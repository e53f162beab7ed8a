// The place where a picture is looked at: zoom, pan, the frame, the probe's mark, and the wipe between two pictures.
import { Surface } from "./surface.js";

const ZOOMS = [1 / 16, 1 / 8, 1 / 6, 1 / 4, 1 / 3, 1 / 2, 2 / 3, 1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64];

export class Stage {
  constructor(element, canvas, heard) {
    this.element = element;
    this.canvas = canvas;
    this.context = canvas.getContext("2d");
    this.heard = heard;
    this.surfaces = [new Surface(() => this.request()), new Surface(() => this.request())];
    this.frame = { x: 0, y: 0, width: 1, height: 1 };
    this.zoom = 1;
    this.fitted = false;
    this.centre = { x: 0.5, y: 0.5 };
    this.split = null; // share of the frame's width at which the second picture begins
    this.spot = null;
    this.pinned = false;
    this.kept = null; // the pixel whose values are shown, where it is another one
    this.asked = false;
    new ResizeObserver(() => this.resize()).observe(element);
    document.addEventListener("theme", () => this.request());
    this.listen();
  }

  get density() {
    return window.devicePixelRatio || 1;
  }

  // -- where things are; a pixel of the picture has `zoom` pixels of the screen ---------------------------------

  toScreen(x, y) {
    return [
      Math.round(this.canvas.width / 2 + (x - this.centre.x) * this.zoom),
      Math.round(this.canvas.height / 2 + (y - this.centre.y) * this.zoom),
    ];
  }

  toPicture(event) {
    // A window that was moved to another screen may have other pixels in a place of the same size.
    this.resize();
    const box = this.canvas.getBoundingClientRect();
    const [left, top] = this.toScreen(0, 0);
    return {
      x: ((event.clientX - box.left) * this.density - left) / this.zoom,
      y: ((event.clientY - box.top) * this.density - top) / this.zoom,
    };
  }

  fitZoom() {
    const margin = 24 * this.density;
    return Math.min((this.canvas.width - margin) / this.frame.width, (this.canvas.height - margin) / this.frame.height);
  }

  setFrame(frame) {
    const changed = JSON.stringify(frame) !== JSON.stringify(this.frame);
    this.frame = frame;
    if (this.fitted) this.whole();
    else if (changed) this.oneToOne();
  }

  // A pixel of the picture on each of the screen, its middle in the middle.
  oneToOne() {
    this.fitted = false;
    this.zoom = 1;
    this.centre = this.middle();
    this.moved();
  }

  middle() {
    return { x: this.frame.x + this.frame.width / 2, y: this.frame.y + this.frame.height / 2 };
  }

  // The whole frame; never larger than it is.
  whole() {
    this.fitted = true;
    this.zoom = Math.max(1 / 64, Math.min(this.fitZoom(), Math.max(1, Math.floor(this.fitZoom()))));
    this.centre = this.middle();
    this.moved();
  }

  zoomTo(zoom, about = null) {
    const bounded = Math.min(64, Math.max(1 / 32, zoom));
    const anchor = about ?? this.spotCentre() ?? this.centre;
    const share = this.zoom / bounded;
    this.centre = {
      x: anchor.x + (this.centre.x - anchor.x) * share,
      y: anchor.y + (this.centre.y - anchor.y) * share,
    };
    this.zoom = bounded;
    this.fitted = false;
    this.moved();
  }

  zoomStep(direction, about = null) {
    const next =
      direction > 0 ? ZOOMS.find((zoom) => zoom > this.zoom * 1.001) : ZOOMS.findLast((zoom) => zoom < this.zoom * 0.999);
    if (next !== undefined) this.zoomTo(next, about);
  }

  pan(dx, dy) {
    this.centre = { x: this.centre.x - dx / this.zoom, y: this.centre.y - dy / this.zoom };
    this.fitted = false;
    this.moved();
  }

  spotCentre() {
    return this.spot && this.isVisible(this.spot) ? { x: this.spot.x + 0.5, y: this.spot.y + 0.5 } : null;
  }

  isVisible({ x, y }) {
    const [left, top] = this.toScreen(x, y);
    return left >= 0 && top >= 0 && left < this.canvas.width && top < this.canvas.height;
  }

  // Mark a pixel, and bring it into view where it was moved to by keys.
  setSpot(spot, follow = false) {
    this.spot = spot;
    if (follow && spot && !this.isVisible(spot)) {
      this.centre = { x: spot.x + 0.5, y: spot.y + 0.5 };
      this.moved();
    }
    this.request();
  }

  moved() {
    this.heard.zoomed(this.zoom);
    this.request();
  }

  resize() {
    const box = this.element.getBoundingClientRect();
    const width = Math.max(1, Math.round(box.width * this.density));
    const height = Math.max(1, Math.round(box.height * this.density));
    if (width === this.canvas.width && height === this.canvas.height) return;
    this.canvas.width = width;
    this.canvas.height = height;
    if (this.fitted) this.whole();
    else this.request();
  }

  // -- drawing --------------------------------------------------------------------------------------------------

  request() {
    if (this.asked) return;
    this.asked = true;
    requestAnimationFrame(() => {
      this.asked = false;
      this.draw();
    });
  }

  draw() {
    const { context, canvas, frame } = this;
    const style = getComputedStyle(this.element);
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.fillStyle = style.getPropertyValue("--surround");
    context.fillRect(0, 0, canvas.width, canvas.height);
    const [left, top] = this.toScreen(frame.x, frame.y);
    const [right, bottom] = this.toScreen(frame.x + frame.width, frame.y + frame.height);
    this.hatch(left, top, right, bottom, style);
    if (this.split === null) this.drawSurface(this.surfaces[0]);
    else {
      const at = this.splitPlace();
      this.clipped(0, at, () => this.drawSurface(this.surfaces[0]));
      this.clipped(at, canvas.width, () => this.drawSurface(this.surfaces[1]));
    }
    this.veil(left, top, right, bottom, style);
    context.strokeStyle = style.getPropertyValue("--frame-line");
    context.lineWidth = 1;
    context.strokeRect(left - 0.5, top - 0.5, right - left + 1, bottom - top + 1);
    if (this.split !== null) this.drawSplit(style);
    if (this.spot) this.drawSpot();
    this.element.dataset.done = String(this.surfaces.every((surface) => surface.done));
  }

  splitPlace() {
    return this.toScreen(this.frame.x + this.split * this.frame.width, 0)[0];
  }

  clipped(from, to, draw) {
    this.context.save();
    this.context.beginPath();
    this.context.rect(from, 0, Math.max(0, to - from), this.canvas.height);
    this.context.clip();
    draw();
    this.context.restore();
  }

  drawSurface(surface) {
    const { window } = surface;
    if (window.width < 1 || window.height < 1) return;
    const [left, top] = this.toScreen(window.x, window.y);
    const [right, bottom] = this.toScreen(window.x + window.width, window.y + window.height);
    this.context.imageSmoothingEnabled = this.zoom < 1;
    this.context.imageSmoothingQuality = "high";
    this.context.drawImage(surface.canvas, 0, 0, window.width, window.height, left, top, right - left, bottom - top);
  }

  // Where the frame has no pixels.
  hatch(left, top, right, bottom, style) {
    const { context } = this;
    context.save();
    context.beginPath();
    context.rect(left, top, right - left, bottom - top);
    context.clip();
    context.fillStyle = style.getPropertyValue("--nothing");
    context.fillRect(left, top, right - left, bottom - top);
    context.strokeStyle = style.getPropertyValue("--nothing-line");
    context.lineWidth = 1;
    context.beginPath();
    const [from, to] = [Math.max(left, 0), Math.min(right, this.canvas.width)];
    const [low, high] = [Math.max(top, 0), Math.min(bottom, this.canvas.height)];
    for (let x = from - (high - low) - ((from - low) % 10); x < to; x += 10) {
      context.moveTo(x, high);
      context.lineTo(x + (high - low), low);
    }
    context.stroke();
    context.restore();
  }

  // What lies outside of the frame is there, but dim.
  veil(left, top, right, bottom, style) {
    const { context, canvas } = this;
    context.save();
    context.globalAlpha = 0.72;
    context.fillStyle = style.getPropertyValue("--surround");
    context.beginPath();
    context.rect(0, 0, canvas.width, canvas.height);
    context.rect(left, top, right - left, bottom - top);
    context.fill("evenodd");
    context.restore();
  }

  drawSplit(style) {
    const { context, canvas } = this;
    const at = this.splitPlace();
    context.fillStyle = "#000";
    context.fillRect(at - 1, 0, 3, canvas.height);
    context.fillStyle = style.getPropertyValue("--split");
    context.fillRect(at, 0, 1, canvas.height);
  }

  drawSpot() {
    const { context } = this;
    if (this.kept && (this.kept.x !== this.spot.x || this.kept.y !== this.spot.y)) this.drawKept();
    const [left, top] = this.toScreen(this.spot.x, this.spot.y);
    const size = Math.max(this.zoom, 1);
    const arm = 11 * this.density;
    const gap = 3 * this.density;
    const inner = size / 2 + gap;
    const [midX, midY] = [Math.round(left + size / 2), Math.round(top + size / 2)];
    for (const [colour, wide] of [
      ["#000", 3],
      ["#fff", 1],
    ]) {
      context.strokeStyle = colour;
      context.lineWidth = wide;
      context.beginPath();
      if (size >= 5) context.rect(left - 0.5, top - 0.5, size + 1, size + 1);
      if (this.pinned) context.rect(midX - inner - arm - 2.5, midY - inner - arm - 2.5, 2 * (inner + arm) + 6, 2 * (inner + arm) + 6);
      for (const [dx, dy] of [
        [1, 0],
        [-1, 0],
        [0, 1],
        [0, -1],
      ]) {
        context.moveTo(midX + dx * inner + 0.5, midY + dy * inner + 0.5);
        context.lineTo(midX + dx * (inner + arm) + 0.5, midY + dy * (inner + arm) + 0.5);
      }
      context.stroke();
    }
  }

  drawKept() {
    const [left, top] = this.toScreen(this.kept.x, this.kept.y);
    const size = Math.max(this.zoom, 3);
    const inset = (Math.max(this.zoom, 1) - size) / 2;
    for (const [colour, wide] of [
      ["#000", 3],
      ["#fff", 1],
    ]) {
      this.context.strokeStyle = colour;
      this.context.lineWidth = wide;
      this.context.strokeRect(left + inset - 0.5, top + inset - 0.5, size + 1, size + 1);
    }
  }

  // -- pointer --------------------------------------------------------------------------------------------------

  listen() {
    const { element } = this;
    let grip = null;
    const aside = (event) => event.target.closest("p") !== null; // the note that lies on the picture
    element.addEventListener("pointerdown", (event) => {
      if (event.button > 1 || aside(event)) return;
      const near = this.split !== null && Math.abs(this.pointerX(event) - this.splitPlace()) < 9 * this.density;
      grip = { x: event.clientX, y: event.clientY, split: near, moved: false };
      element.setPointerCapture(event.pointerId);
    });
    element.addEventListener("pointermove", (event) => {
      if (grip?.split) {
        const place = this.toPicture(event);
        this.heard.split((place.x - this.frame.x) / this.frame.width);
      } else if (grip) {
        // A click may shake a little.
        if (!grip.moved && Math.hypot(event.clientX - grip.x, event.clientY - grip.y) < 3) return;
        this.pan((event.clientX - grip.x) * this.density, (event.clientY - grip.y) * this.density);
        grip = { ...grip, x: event.clientX, y: event.clientY, moved: true };
        element.classList.add("held");
      } else if (!aside(event)) {
        const near = this.split !== null && Math.abs(this.pointerX(event) - this.splitPlace()) < 9 * this.density;
        element.classList.toggle("at-split", near);
        const place = this.toPicture(event);
        this.heard.pointed({ x: Math.floor(place.x), y: Math.floor(place.y) });
      }
    });
    const release = (event) => {
      if (grip && !grip.moved && !grip.split && event.type === "pointerup") {
        const place = this.toPicture(event);
        this.heard.clicked({ x: Math.floor(place.x), y: Math.floor(place.y) });
      }
      grip = null;
      element.classList.remove("held");
    };
    element.addEventListener("pointerup", release);
    element.addEventListener("pointercancel", release);
    element.addEventListener(
      "wheel",
      (event) => {
        event.preventDefault();
        if (event.deltaY !== 0) this.zoomStep(event.deltaY < 0 ? 1 : -1, this.toPicture(event));
      },
      { passive: false },
    );
  }

  pointerX(event) {
    return (event.clientX - this.canvas.getBoundingClientRect().left) * this.density;
  }
}
