// From light to display values: the view of the colour config, as a cube of values over stops. See view_tables.py.
import { head, inflated } from "./pieces.js";

const MANTISSA = 14; // bits of a float that are dropped where its logarithm is looked up

const views = new Map();

export function viewOf(key) {
  if (!views.has(key)) views.set(key, head.tables[key] ? madeView(head.tables[key]) : Promise.resolve(null));
  return views.get(key);
}

async function madeView(told) {
  const steps = new Uint16Array(await inflated(told.cube));
  const { size } = told;
  const cube = new Float32Array(steps.length);
  for (let row = 0; row < size * size; row += 1) {
    for (let channel = 0; channel < 3; channel += 1) {
      let value = 0;
      for (let k = 0; k < size; k += 1) {
        const at = 3 * (row * size + k) + channel;
        value = (value + steps[at]) & 0xffff;
        cube[at] = value / 257;
      }
    }
  }
  const places = new Float32Array(1 << (31 - MANTISSA));
  const bits = new Uint32Array(1);
  const value = new Float32Array(bits.buffer);
  const scale = (size - 1) / Math.log2((told.top + told.offset) / told.offset);
  for (let k = 0; k < places.length; k += 1) {
    bits[0] = (k << MANTISSA) + (1 << (MANTISSA - 1));
    const stops = Math.log2((value[0] + told.offset) / told.offset) * scale;
    places[k] = Number.isNaN(stops) ? 0 : Math.min(size - 1.0001, Math.max(0, stops));
  }
  places[0] = 0;
  return {
    size,
    cube,
    places,
    curve: told.curve === null ? null : new Float32Array(await inflated(told.curve)),
    range: told.range,
    matrix: told.matrix,
  };
}

// Make a row of log codes linear, in place.
export function linearRow(view, red, green, blue, count) {
  const { curve, matrix } = view;
  const [low, high] = view.range;
  const scale = (curve.length - 1) / (high - low);
  for (const row of [red, green, blue]) {
    for (let x = 0; x < count; x += 1) {
      const place = Math.min(curve.length - 1.001, Math.max(0, (row[x] - low) * scale));
      const k = Math.floor(place);
      row[x] = curve[k] + (curve[k + 1] - curve[k]) * (place - k);
    }
  }
  const [a, b, c, d, e, f, g, h, i] = matrix;
  for (let x = 0; x < count; x += 1) {
    const [r, v, w] = [red[x], green[x], blue[x]];
    red[x] = a * r + b * v + c * w;
    green[x] = d * r + e * v + f * w;
    blue[x] = g * r + h * v + i * w;
  }
}

// A row of linear light as display bytes; between the points of the cube by tetrahedra.
export function viewRow(view, red, green, blue, count, out, at) {
  const { cube, places, size } = view;
  const bits = [red, green, blue].map((row) => new Uint32Array(row.buffer, row.byteOffset, count));
  const [redBits, greenBits, blueBits] = bits;
  const green1 = 3 * size;
  const blue1 = green1 * size;
  for (let x = 0; x < count; x += 1, at += 4) {
    const r = redBits[x] >>> 31 ? 0 : places[redBits[x] >>> MANTISSA];
    const g = greenBits[x] >>> 31 ? 0 : places[greenBits[x] >>> MANTISSA];
    const b = blueBits[x] >>> 31 ? 0 : places[blueBits[x] >>> MANTISSA];
    const i = r | 0;
    const j = g | 0;
    const k = b | 0;
    const fr = r - i;
    const fg = g - j;
    const fb = b - k;
    const base = 3 * i + green1 * j + blue1 * k;
    let first;
    let second;
    let most;
    let middle;
    let least;
    // No arrays here: this runs for every pixel.
    if (fr >= fg) {
      if (fg >= fb) {
        first = 3;
        second = 3 + green1;
        most = fr;
        middle = fg;
        least = fb;
      } else if (fr >= fb) {
        first = 3;
        second = 3 + blue1;
        most = fr;
        middle = fb;
        least = fg;
      } else {
        first = blue1;
        second = blue1 + 3;
        most = fb;
        middle = fr;
        least = fg;
      }
    } else if (fr >= fb) {
      first = green1;
      second = green1 + 3;
      most = fg;
      middle = fr;
      least = fb;
    } else if (fg >= fb) {
      first = green1;
      second = green1 + blue1;
      most = fg;
      middle = fb;
      least = fr;
    } else {
      first = blue1;
      second = blue1 + green1;
      most = fb;
      middle = fg;
      least = fr;
    }
    const low = 1 - most;
    const next = most - middle;
    const then = middle - least;
    const one = base + first;
    const two = base + second;
    const far = base + 3 + green1 + blue1;
    for (let c = 0; c < 3; c += 1) {
      out[at + c] = cube[base + c] * low + cube[one + c] * next + cube[two + c] * then + cube[far + c] * least + 0.5;
    }
    out[at + 3] = 255;
  }
}
