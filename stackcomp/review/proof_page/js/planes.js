// Planes from their packed form: bytes regrouped, differences added up, sign moved back. See pack.py.
import { inflated, pieceBytes } from "./pieces.js";

let halves = null;

function halfValues() {
  if (halves !== null) return halves;
  halves = new Float32Array(65536);
  for (let bits = 0; bits < 65536; bits += 1) {
    const sign = bits & 0x8000 ? -1 : 1;
    const exponent = (bits >> 10) & 31;
    const fraction = bits & 1023;
    if (exponent === 0) halves[bits] = sign * fraction * 2 ** -24;
    else if (exponent === 31) halves[bits] = fraction ? NaN : sign * Infinity;
    else halves[bits] = sign * (1 + fraction / 1024) * 2 ** (exponent - 15);
  }
  halves[0x8000] = -0;
  return halves;
}

function bits32(groups, width, height) {
  const count = width * height;
  const made = new Int32Array(count);
  for (let row = 0, at = 0; row < height; row += 1) {
    let value = 0;
    for (const end = at + width; at < end; at += 1) {
      const moved =
        groups[at] | (groups[at + count] << 8) | (groups[at + 2 * count] << 16) | (groups[at + 3 * count] << 24);
      value = (value + ((moved >>> 1) ^ -(moved & 1))) | 0;
      made[at] = value;
    }
  }
  return made;
}

function fromHalf(groups, width, height) {
  const count = width * height;
  const made = new Float32Array(count);
  const values = halfValues();
  for (let row = 0, at = 0; row < height; row += 1) {
    let value = 0;
    for (const end = at + width; at < end; at += 1) {
      const moved = groups[at] | (groups[at + count] << 8);
      value = (value + ((moved >>> 1) ^ -(moved & 1))) & 0xffff;
      made[at] = values[value];
    }
  }
  return made;
}

// The numbers of a plane: Float32Array, or Uint32Array of ids.
export async function planeValues(told) {
  const { code, width, height } = told;
  if (code === "one") {
    const bits = (await pieceBytes(told.piece)).slice().buffer;
    return told.ids
      ? new Uint32Array(width * height).fill(new Uint32Array(bits)[0])
      : new Float32Array(width * height).fill(new Float32Array(bits)[0]);
  }
  const groups = new Uint8Array(await inflated(told.piece));
  if (code === "f16") return fromHalf(groups, width, height);
  const made = bits32(groups, width, height);
  return code === "u32" ? new Uint32Array(made.buffer) : new Float32Array(made.buffer);
}
