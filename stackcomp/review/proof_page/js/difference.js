// Two pictures against each other: a picture of their difference, and the place where it is largest.

// Channels that are compared: those of the same name; else those at the same place.
export function comparedChannels(first, second, way) {
  const other = (channel, k) => second.channels.find((one) => one.name === channel.name) ?? second.channels[k];
  const chosen =
    way === "whole"
      ? first.channels.slice(0, first.layer.view === "colour" || first.layer.view === "ratio" ? 3 : first.channels.length)
      : first.channels.filter((channel) => way === `plane:${channel.name}`);
  return chosen.map((channel) => [channel, other(channel, first.channels.indexOf(channel))]).filter(([, one]) => one);
}

export function unionOf(a, b) {
  const x = Math.min(a.x, b.x);
  const y = Math.min(a.y, b.y);
  return { x, y, width: Math.max(a.x + a.width, b.x + b.width) - x, height: Math.max(a.y + a.height, b.y + b.height) - y };
}

function lookAt(picture, channel, x, y) {
  const { window } = picture;
  const column = x - window.x;
  const row = y - window.y;
  if (column < 0 || row < 0 || column >= window.width || row >= window.height) return channel.ids ? 0 : picture.outside;
  return channel.look[row * window.width + column];
}

export const distance = (a, b, ids) => {
  if (ids) return a === b ? 0 : 1;
  if (Number.isNaN(a) || Number.isNaN(b)) return Number.isNaN(a) && Number.isNaN(b) ? 0 : Infinity;
  return a === b ? 0 : Math.abs(a - b);
};

// The true value of a pixel that both pictures keep; null where one of them does not.
function keptAt(picture, channel, x, y) {
  const { window } = picture;
  if (x < window.x || y < window.y || x >= window.x + window.width || y >= window.y + window.height) {
    return channel.ids ? 0 : picture.outside;
  }
  const column = (x - window.x) / channel.step;
  const row = (y - window.y) / channel.step;
  return Number.isInteger(column) && Number.isInteger(row) ? channel.values[row * channel.columns + column] : null;
}

// A function as those of shading.js, over the union of both windows. Viewing pictures are never subtracted: where
// only some true values are kept, each stands for the pixels beside it.
export function differencePainter(first, second, way, gainStops) {
  const pairs = comparedChannels(first, second, way);
  const window = unionOf(first.window, second.window);
  const gain = 2 ** gainStops;
  const same = JSON.stringify(first.window) === JSON.stringify(second.window);
  const three = pairs.length === 3;
  const step = Math.max(1, ...pairs.flat().map((channel) => channel.step));
  const down = (place, from) => from + Math.floor((place - from) / step) * step;
  const paint = (row, from, count, stride, out, at) => {
    const y = window.y + row;
    for (let x = 0; x < count; x += 1, at += 4) {
      const column = from + x * stride;
      let most = 0;
      for (let c = 0; c < pairs.length; c += 1) {
        const [one, other] = pairs[c];
        const i = row * window.width + column;
        let a;
        let b;
        if (step > 1) {
          const [keptX, keptY] = [down(window.x + column, first.window.x), down(y, first.window.y)];
          a = keptAt(first, one, keptX, keptY);
          b = keptAt(second, other, keptX, keptY);
        } else {
          a = same ? one.look[i] : lookAt(first, one, window.x + column, y);
          b = same ? other.look[i] : lookAt(second, other, window.x + column, y);
        }
        const off = a === null || b === null ? 0 : distance(a, b, one.ids);
        // Display bytes of even steps: the transfer of IEC 61966-2-1, close enough as a power.
        const level = off === 0 ? 0 : Math.min(255, 255 * Math.min(1, off * gain) ** (1 / 2.2) + 0.5);
        if (three) out[at + c] = level;
        else most = Math.max(most, level);
      }
      if (!three) out[at] = out[at + 1] = out[at + 2] = most;
      out[at + 3] = 255;
    }
  };
  return { paint, window };
}

// The largest difference between true values: which, where, and of how many pixels it was looked for.
export function largestDifference(first, second, way) {
  let found = { size: 0, looked: 0, different: 0 };
  for (const [one, other] of comparedChannels(first, second, way)) {
    const step = Math.max(one.step, other.step);
    for (let y = first.window.y; y < first.window.y + first.window.height; y += step) {
      const j = (y - second.window.y) / other.step;
      if (!Number.isInteger(j) || j < 0 || j >= other.rows) continue;
      const i = ((y - first.window.y) / one.step) * one.columns;
      for (let x = first.window.x; x < first.window.x + first.window.width; x += step) {
        const k = (x - second.window.x) / other.step;
        if (!Number.isInteger(k) || k < 0 || k >= other.columns) continue;
        const a = one.values[i + (x - first.window.x) / one.step];
        const b = other.values[j * other.columns + k];
        const size = distance(a, b, one.ids);
        found.looked += 1;
        if (size > 0) found.different += 1;
        if (size > found.size) found = { ...found, size, x, y, channel: one.name };
      }
    }
  }
  return found;
}
