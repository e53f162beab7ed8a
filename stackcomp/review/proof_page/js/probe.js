// The probe: true values of a pixel, and where it is.
import { fill, make } from "./dom.js";
import { distance, emptyValue } from "./difference.js";
import { brief, exactFloat, hex, lastPart, ordinal } from "./numbers.js";
import { valueAt } from "./picture.js";
import { head } from "./pieces.js";

const cell = (name, text, unit = "") =>
  make("span", { class: "value" }, make("i", { text: name }), make("b", { text }), unit ? make("small", { text: unit }) : null);


function shown(picture, channel, value) {
  if (!channel.ids) return cell(lastPart(channel.name), exactFloat(value), picture.layer.unit);
  const name = value === 0 ? "nothing" : (head.objects[value.toString(16).padStart(8, "0")] ?? "");
  return cell(lastPart(channel.name), hex(value), name);
}

const placeText = (value) => String(value).replace("-", "−");

// What holds for the values of a row, where that is not every bit.
function remark(channels, spot, found) {
  const words = [];
  if (channels.some((channel) => channel.rung === "half")) words.push("rounded to half");
  if (found && (found.x !== spot.x || found.y !== spot.y)) {
    const step = Math.max(...channels.map((channel) => channel.step));
    words.push(`of pixel ${placeText(found.x)}, ${placeText(found.y)}, the nearest of those kept (every ${ordinal(step)})`);
  }
  return words.length ? make("span", { class: "remark", text: words.join("; ") }) : null;
}

function row(title, picture, spot) {
  const line = make("div", { class: "probe-row" }, title ? make("span", { class: "whose", dir: "auto", text: title }) : null);
  const groups = new Map();
  for (const channel of picture.channels) {
    const found = valueAt(picture, channel, spot.x, spot.y);
    if (found === null) {
      const counts = picture.outside ? `counts as ${picture.outside}` : "nothing is there";
      line.append(make("span", { class: "remark", text: `outside the data window: ${counts}` }));
      return line;
    }
    const key = `${found.x} ${found.y} ${channel.rung}`;
    if (!groups.has(key)) groups.set(key, { found, channels: [] });
    groups.get(key).channels.push([channel, found.value]);
  }
  for (const { found, channels } of groups.values()) {
    line.append(...channels.map(([channel, value]) => shown(picture, channel, value)));
    line.append(...[remark(channels.map(([channel]) => channel), spot, found)].filter(Boolean));
  }
  return line;
}

function differenceRow(first, second, spot) {
  const line = make("div", { class: "probe-row" }, make("span", { class: "whose", text: "difference" }));
  first.channels.forEach((channel, k) => {
    const other = second.channels.find((one) => one.name === channel.name) ?? second.channels[k];
    if (!other) return;
    const [one, two] = [valueAt(first, channel, spot.x, spot.y), valueAt(second, other, spot.x, spot.y)];
    if ((!one && !two) || (one && two && (one.x !== two.x || one.y !== two.y))) return;
    const a = one ? one.value : emptyValue(first, channel);
    const b = two ? two.value : emptyValue(second, other);
    const text = channel.ids ? (a === b ? "same" : "another") : brief(a - b, 6);
    line.append(cell(lastPart(channel.name), distance(a, b, channel.ids) === 0 && !channel.ids ? "0" : text));
  });
  return line;
}

// Fill the readout. `pictures`: the opened one, and perhaps the one it is held against, each with its title.
export function showProbe(element, spot, pictures) {
  const [first, second] = pictures;
  if (!first || !spot) {
    fill(element, make("span", { class: "dim", text: first ? "Point at a pixel, or move the probe with the arrow keys." : "" }));
    return;
  }
  const { frame } = first.picture;
  const inside = spot.x >= frame.x && spot.y >= frame.y && spot.x < frame.x + frame.width && spot.y < frame.y + frame.height;
  const where = make(
    "div",
    { class: "where" },
    cell("x", placeText(spot.x)),
    cell("y", placeText(spot.y)),
    inside ? null : make("span", { class: "remark", text: "outside the frame" }),
  );
  const rows = pictures.map(({ title, picture }) => row(pictures.length > 1 ? title : "", picture, spot));
  if (second) rows.push(differenceRow(first.picture, second.picture, spot));
  fill(element, where, make("div", { class: "rows" }, ...rows));
}
