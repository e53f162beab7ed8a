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

const isEmpty = (window) => window.width < 1 || window.height < 1;

export function unionOf(a, b) {
  if (isEmpty(a)) return b;
  if (isEmpty(b)) return a;
  const x = Math.min(a.x, b.x);
  const y = Math.min(a.y, b.y);
  return { x, y, width: Math.max(a.x + a.width, b.x + b.width) - x, height: Math.max(a.y + a.height, b.y + b.height) - y };
}

const isIn = (window, x, y) => x >= window.x && y >= window.y && x < window.x + window.width && y < window.y + window.height;

// What a pixel outside of the data window counts as.
export const emptyValue = (picture, channel) => (channel.ids ? 0 : picture.outside);

function lookAt(picture, channel, x, y) {
  const { window } = picture;
  if (!isIn(window, x, y)) return emptyValue(picture, channel);
  return channel.look[(y - window.y) * window.width + x - window.x];
}

export const distance = (a, b, ids) => {
  if (ids) return a === b ? 0 : 1;
  if (Number.isNaN(a) || Number.isNaN(b)) return Number.isNaN(a) && Number.isNaN(b) ? 0 : Infinity;
  return a === b ? 0 : Math.abs(a - b);
};

// The true value of a pixel that both pictures keep; null where one of them does not.
function keptAt(picture, channel, x, y) {
  const { window } = picture;
  if (!isIn(window, x, y)) return emptyValue(picture, channel);
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
  const coarsest = pairs.find((pair) => pair.some((channel) => channel.step === step));
  const grid = coarsest ? sharedGrid(first, coarsest[0], second, coarsest[1]) : first.window;
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
          const [keptX, keptY] = [down(window.x + column, grid.x), down(y, grid.y)];
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

// Pixels whose true values both pictures may keep: those of the coarser one.
function sharedGrid(first, one, second, other) {
  const { x, y } = one.step < other.step ? second.window : first.window;
  return { step: Math.max(one.step, other.step), x, y };
}

// The first place from `from` on that is a whole number of steps away from another one.
const firstOf = (from, other, step) => from + ((((other - from) % step) + step) % step);

// Whether no pixel is kept of both, although both have pixels there.
function apart(first, one, second, other) {
  const finer = Math.min(one.step, other.step);
  const [a, b] = [first.window, second.window];
  const meet = !isEmpty(a) && !isEmpty(b) && a.x < b.x + b.width && b.x < a.x + a.width && a.y < b.y + b.height && b.y < a.y + a.height;
  return meet && ((a.x - b.x) % finer !== 0 || (a.y - b.y) % finer !== 0);
}

// The largest difference between true values: which, where, and of how many pixels it was looked for. Like the
// picture of the difference it goes over both windows; where only one has pixels, the other counts as empty.
export function largestDifference(first, second, way) {
  const found = { size: 0, looked: 0, different: 0 };
  const union = unionOf(first.window, second.window);
  for (const [one, other] of comparedChannels(first, second, way)) {
    if (apart(first, one, second, other)) continue;
    const { step, x: gridX, y: gridY } = sharedGrid(first, one, second, other);
    for (let y = firstOf(union.y, gridY, step); y < union.y + union.height; y += step) {
      for (let x = firstOf(union.x, gridX, step); x < union.x + union.width; x += step) {
        const inFirst = isIn(first.window, x, y);
        const inSecond = isIn(second.window, x, y);
        if (!inFirst && !inSecond) continue;
        const a = keptAt(first, one, x, y);
        const b = keptAt(second, other, x, y);
        if (a === null || b === null) continue;
        const size = distance(a, b, one.ids);
        found.looked += 1;
        if (size > 0) found.different += 1;
        if (size > found.size) Object.assign(found, { size, x, y, channel: one.name });
      }
    }
  }
  return found;
}
