// Rows of pixels from the planes of a picture, as it is looked at: as a whole, or one channel alone.
import { linearRow, viewRow } from "./view.js";

const CHECK = 16;
const CHECKER = [0.02, 0.05];
const BAD = [255, 0, 255];
const FARTHEST = 0.12;
const BRIGHTEST = 1e12;

// What there is to look at in a layer: the whole, where its channels make a picture together, and each channel.
export function waysToLook(layer) {
  const whole = { colour: "colour", ratio: "ratio", ids: "objects", motion: "motion", coordinates: "s and t" }[layer.view];
  const channels = layer.channels.map((name) => ({ key: `plane:${name}`, label: name.slice(name.lastIndexOf(".") + 1) }));
  return whole && layer.channels.length > 1 ? [{ key: "whole", label: whole }, ...channels] : channels;
}

const isLight = (layer) => layer.view === "colour" && (layer.family === "scene-linear" || layer.family === "log" || !layer.family);

export const hasExposure = (layer) => layer.view !== "ids";

function byte(value) {
  return value <= 0 ? 0 : value >= 1 ? 255 : (value * 255 + 0.5) | 0;
}

function mixedId(bits) {
  let mixed = Math.imul(bits ^ (bits >>> 16), 0x45d9f3b);
  mixed = Math.imul(mixed ^ (mixed >>> 15), 0x2c1b3c6d);
  return mixed ^ (mixed >>> 13);
}

// A function that writes one row: row number of the data window, first column, number of columns, distance of columns.
export function rowPainter(picture, view, options, readings) {
  const { layer } = picture;
  const gain = 2 ** options.stops;
  if (options.way !== "whole") {
    const name = options.way.slice("plane:".length);
    const channel = picture.channels.find((one) => one.name === name);
    return channel ? planePainter(picture, channel, view, gain, options, readings) : nothing;
  }
  if (layer.view === "colour") return colourPainter(picture, view, gain, options);
  if (layer.view === "ids") return idPainter(picture);
  const [first, second, third] = picture.channels;
  if (layer.view === "ratio") return triplePainter([first, second, third], 0.5 * gain, 0, picture, options);
  if (layer.view === "motion") return triplePainter([first, second, null], gain / (2 * layer.scales.fastest), 0.5, picture, options);
  return triplePainter([first, second, null], gain, 0, picture, options);
}

function nothing(row, from, count, step, out, at) {
  out.fill(0, at, at + 4 * count);
}

function planePainter(picture, channel, view, gain, options, readings) {
  const { width } = picture.window;
  const { layer } = picture;
  const { look } = channel;
  if (channel.ids) {
    return (row, from, count, step, out, at) => {
      for (let x = 0, i = row * width + from; x < count; x += 1, i += step, at += 4) {
        const mixed = look[i] ? mixedId(look[i]) : 0;
        for (let c = 0; c < 3; c += 1) out[at + c] = look[i] ? 48 + ((mixed >>> (8 * c)) & 255) * (207 / 255) : 0;
        out[at + 3] = 255;
      }
    };
  }
  const colour = layer.view === "colour" && layer.channels.indexOf(channel.name) < 3;
  if (colour && view && isLight(layer)) {
    const grey = new Float32Array(width);
    const copies = [grey, new Float32Array(width), new Float32Array(width)];
    return (row, from, count, step, out, at) => {
      for (let x = 0, i = row * width + from; x < count; x += 1, i += step) grey[x] = finite(look[i]);
      copies[1].set(grey);
      copies[2].set(grey);
      if (view.curve) linearRow(view, ...copies, count);
      for (const copy of copies) for (let x = 0; x < count; x += 1) copy[x] = Math.min(BRIGHTEST, copy[x] * gain);
      viewRow(view, ...copies, count, out, at);
      if (options.bad) markBad([look], row * width + from, count, step, out, at);
    };
  }
  const shown = greyScale(layer, channel.name, readings);
  return (row, from, count, step, out, at) => {
    for (let x = 0, i = row * width + from, o = at; x < count; x += 1, i += step, o += 4) {
      const level = byte(shown(finite(look[i]) , gain));
      out[o] = out[o + 1] = out[o + 2] = level;
      out[o + 3] = 255;
    }
    if (options.bad) markBad([look], row * width + from, count, step, out, at);
  };
}

function greyScale(layer, name, readings) {
  if (layer.view === "depth") {
    const { far, near } = layer.scales;
    return (value, gain) =>
      value > 0 ? gain * (FARTHEST + (1 - FARTHEST) * Math.min(1, Math.max(0, near > far ? (1 / value - far) / (near - far) : 1))) : 0;
  }
  if (layer.view === "motion") return (value, gain) => 0.5 + (gain * value) / (2 * layer.scales.fastest);
  if (layer.view === "ratio") return (value, gain) => 0.5 * gain * value;
  const known = readings && readings[name] ? readings[name].statistics : null;
  if (layer.view === "planes" && known && known.min !== null && (known.min < 0 || known.max > 1) && known.max > known.min) {
    return (value, gain) => (gain * (value - known.min)) / (known.max - known.min);
  }
  return (value, gain) => gain * value;
}

function finite(value) {
  return value - value === 0 ? value : 0;
}

function markBad(planes, first, count, step, out, at) {
  for (const plane of planes) {
    for (let x = 0, i = first; x < count; x += 1, i += step) {
      if (plane[i] - plane[i] !== 0) for (let c = 0; c < 3; c += 1) out[at + 4 * x + c] = BAD[c];
    }
  }
}

function colourPainter(picture, view, gain, options) {
  const { width } = picture.window;
  const { layer } = picture;
  const [red, green, blue, alpha] = picture.channels.map((channel) => channel.look);
  const rows = [0, 1, 2].map(() => new Float32Array(width));
  const light = isLight(layer);
  const checks = light && view ? CHECKER : CHECKER.map((value) => value ** (1 / 2.4));
  const { x: left, y: top } = picture.window;
  return (row, from, count, step, out, at) => {
    const first = row * width + from;
    [red, green, blue].forEach((plane, c) => {
      const line = rows[c];
      for (let x = 0, i = first; x < count; x += 1, i += step) line[x] = finite(plane[i]);
    });
    if (light && view && view.curve) linearRow(view, ...rows, count);
    const factor = light && view ? gain : 1;
    for (const line of rows) {
      for (let x = 0; x < count; x += 1) {
        const value = line[x] * factor;
        line[x] = value > BRIGHTEST ? BRIGHTEST : value;
      }
    }
    if (alpha && layer.alpha === "straight") {
      for (const line of rows) for (let x = 0, i = first; x < count; x += 1, i += step) line[x] *= finite(alpha[i]);
    }
    if (alpha && options.checker) {
      const y = Math.floor((top + row) / CHECK);
      for (let x = 0, i = first; x < count; x += 1, i += step) {
        const behind = checks[(y + Math.floor((left + from + x * step) / CHECK)) & 1] * (1 - finite(alpha[i]));
        for (const line of rows) line[x] += behind;
      }
    }
    if (light && view) viewRow(view, ...rows, count, out, at);
    else {
      const more = light ? gain : gain;
      for (let x = 0, o = at; x < count; x += 1, o += 4) {
        for (let c = 0; c < 3; c += 1) out[o + c] = byte(rows[c][x] * more);
        out[o + 3] = 255;
      }
    }
    if (options.bad) markBad(alpha ? [red, green, blue, alpha] : [red, green, blue], first, count, step, out, at);
  };
}

function triplePainter(channels, scale, offset, picture, options) {
  const { width } = picture.window;
  return (row, from, count, step, out, at) => {
    const first = row * width + from;
    channels.forEach((channel, c) => {
      for (let x = 0, i = first, o = at + c; x < count; x += 1, i += step, o += 4) {
        out[o] = byte(channel ? offset + scale * finite(channel.look[i]) : offset);
      }
    });
    for (let x = 0, o = at + 3; x < count; x += 1, o += 4) out[o] = 255;
    if (options.bad) markBad(channels.filter(Boolean).map((one) => one.look), first, count, step, out, at);
  };
}

function idPainter(picture) {
  const { width } = picture.window;
  const pairs = [];
  picture.channels.forEach((channel, k) => {
    if (channel.ids) pairs.push([channel.look, picture.channels[k + 1] && !picture.channels[k + 1].ids ? picture.channels[k + 1].look : null]);
  });
  const sum = new Float32Array(3);
  return (row, from, count, step, out, at) => {
    for (let x = 0, i = row * width + from; x < count; x += 1, i += step, at += 4) {
      sum.fill(0);
      for (const [ids, cover] of pairs) {
        if (!ids[i]) continue;
        const mixed = mixedId(ids[i]);
        const weight = cover ? finite(cover[i]) / 255 : 1 / 255;
        for (let c = 0; c < 3; c += 1) sum[c] += (48 + ((mixed >>> (8 * c)) & 255) * (207 / 255)) * weight;
      }
      for (let c = 0; c < 3; c += 1) out[at + c] = byte(sum[c]);
      out[at + 3] = 255;
    }
  };
}
