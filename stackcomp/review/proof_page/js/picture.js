// A layer of a node's picture: its planes in full size to look at, and its true values.
//
// A channel has `look`, a number for every pixel of the data window, and `values`, true values of every `step`th
// pixel in both directions. Where everything fitted, the two are one array.
import { inflated, pieceBytes } from "./pieces.js";
import { planeValues } from "./planes.js";

async function viewPlanes(told, count, width, height) {
  const blob = new Blob([await pieceBytes(told.picture)], { type: "image/jpeg" });
  const bitmap = await createImageBitmap(blob, { colorSpaceConversion: "none", premultiplyAlpha: "none" });
  const canvas = document.createElement("canvas");
  canvas.width = bitmap.width;
  canvas.height = bitmap.height;
  const context = canvas.getContext("2d", { willReadFrequently: true });
  context.drawImage(bitmap, 0, 0);
  const pixels = context.getImageData(0, 0, canvas.width, canvas.height).data;
  const levels = new Float32Array(await inflated(told.levels));
  const planes = Array.from({ length: count }, () => new Float32Array(width * height));
  const columns = Int32Array.from({ length: width }, (_, x) => Math.min(canvas.width - 1, Math.floor(x / told.shrink)));
  planes.forEach((plane, channel) => {
    for (let y = 0, at = 0; y < height; y += 1) {
      const row = Math.min(canvas.height - 1, Math.floor(y / told.shrink)) * canvas.width;
      for (let x = 0; x < width; x += 1, at += 1) plane[at] = levels[pixels[4 * (row + columns[x]) + channel]];
    }
  });
  if (told.bad !== undefined) {
    const mask = new Uint8Array(await inflated(told.bad));
    for (let at = 0; at < width * height; at += 1) {
      if (mask[at >> 3] & (0x80 >> (at & 7))) for (const plane of planes) plane[at] = NaN;
    }
  }
  return planes;
}

async function unitChannels(unit, width, height) {
  const values = await Promise.all(unit.planes.map(planeValues));
  const look = unit.view ? await viewPlanes(unit.view, values.length, width, height) : values;
  return unit.channels.map((name, k) => ({
    name,
    rung: unit.rung,
    step: unit.step,
    columns: unit.planes[k].width,
    rows: unit.planes[k].height,
    values: values[k],
    look: look[k],
    ids: values[k] instanceof Uint32Array,
  }));
}

async function loaded(detail, number) {
  const layer = detail.layers[number];
  const [x, y, width, height] = detail.window;
  const units = await Promise.all(layer.units.map((unit) => unitChannels(unit, width, height)));
  const channels = new Map(units.flat().map((channel) => [channel.name, channel]));
  const [frameX, frameY, frameWidth, frameHeight] = detail.frame;
  return {
    layer,
    channels: layer.channels.filter((name) => channels.has(name)).map((name) => channels.get(name)),
    window: { x, y, width, height },
    frame: { x: frameX, y: frameY, width: frameWidth, height: frameHeight },
    outside: detail.outside,
  };
}

// Pictures that were opened last stay unpacked, as far as they fit.
const kept = new Map();
const MOST = 6e8;

const bytesOf = (picture) =>
  picture.channels.reduce((sum, channel) => sum + channel.look.byteLength + channel.values.byteLength, 0);

export async function pictureOf(detailNumber, detail, layer) {
  const key = `${detailNumber}/${layer}`;
  const picture = kept.get(key) ?? loaded(detail, layer);
  kept.delete(key);
  kept.set(key, picture);
  try {
    await picture;
  } catch (error) {
    kept.delete(key);
    throw error;
  }
  const others = await Promise.allSettled([...kept.entries()].map(async ([name, one]) => [name, bytesOf(await one)]));
  const sizes = others.filter((one) => one.status === "fulfilled").map((one) => one.value);
  let total = sizes.reduce((sum, [, size]) => sum + size, 0);
  for (const [name, size] of sizes.slice(0, -2)) {
    if (total <= MOST) break;
    kept.delete(name);
    total -= size;
  }
  return picture;
}

// The true value nearest to a pixel of the frame, and where it is; null outside the data window.
export function valueAt(picture, channel, x, y) {
  const column = x - picture.window.x;
  const row = y - picture.window.y;
  if (column < 0 || row < 0 || column >= picture.window.width || row >= picture.window.height) return null;
  const nearest = (place, count) => Math.min(count - 1, Math.round(place / channel.step));
  const [i, j] = [nearest(column, channel.columns), nearest(row, channel.rows)];
  return {
    value: channel.values[j * channel.columns + i],
    x: picture.window.x + i * channel.step,
    y: picture.window.y + j * channel.step,
  };
}
