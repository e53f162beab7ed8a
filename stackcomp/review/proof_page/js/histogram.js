// Histograms of true values: of light over stops, of everything else evenly between least and greatest.
// Channels that have the same kind of bins share one scale, so that they can be held against each other.
import { make, svg } from "./dom.js";
import { brief, lastPart, whole } from "./numbers.js";

const WIDTH = 420;
const HEIGHT = 60;
const SHIFT = 20;

const edgeBits = new Uint32Array(1);
const edgeFloat = new Float32Array(edgeBits.buffer);

function edge(bin) {
  edgeBits[0] = bin * 2 ** SHIFT;
  return edgeFloat[0];
}

// The bins of a histogram that are not empty: from, to, count.
function binsOf(told) {
  if (told.kind === "even") {
    const step = (told.high - told.low) / told.counts.length;
    const all = told.counts.map((count, k) => ({ from: told.low + k * step, to: told.low + (k + 1) * step, count }));
    return all.filter((bin) => bin.count > 0);
  }
  const [first, counts] = told.positive;
  return counts.map((count, k) => ({ from: edge(first + k), to: edge(first + k + 1), count })).filter((bin) => bin.count > 0);
}

const stops = (value) => Math.log2(value / 0.18);

function ends(bins, light) {
  const place = light ? stops : (value) => value;
  let low = Math.min(...bins.map((bin) => place(bin.from)));
  let high = Math.max(...bins.map((bin) => place(bin.to)));
  if (light) {
    low = Math.max(-12, Math.floor(Math.min(low, -4)));
    high = Math.min(14, Math.ceil(Math.max(high, 4)));
  }
  return high > low ? [low, high] : [low - 0.5, low + 0.5];
}

function marksOf(low, high, light) {
  const step = light ? (high - low > 12 ? 4 : 2) : (high - low) / 4;
  const from = light ? Math.ceil(low / step) * step : low;
  const count = Math.floor((high - from) / step + 1e-6);
  return Array.from({ length: count + 1 }, (_, k) => from + k * step);
}

// `channels`: name and histogram of each, all of one kind.
export function histograms(channels) {
  const light = channels[0][1].kind === "stops";
  const every = channels.map(([, told]) => binsOf(told));
  const filled = every.flat();
  const [low, high] = filled.length ? ends(filled, light) : [0, 1];
  const share = (value) => Math.min(1, Math.max(0, ((light ? stops(value) : value) - low) / (high - low)));
  const marks = marksOf(low, high, light);
  const lanes = channels.map(([name, told], k) => {
    const drawing = svg("svg", {
      viewBox: `0 0 ${WIDTH} ${HEIGHT}`,
      class: "histogram",
      role: "img",
      "aria-label": `Histogram of ${name}`,
      preserveAspectRatio: "none",
    });
    for (const mark of marks) {
      const at = ((mark - low) / (high - low)) * WIDTH;
      drawing.append(svg("line", { x1: at, x2: at, y1: 0, y2: HEIGHT, class: light && mark === 0 ? "grey" : "" }));
    }
    drawing.append(svg("path", { d: outline(every[k], share) }));
    return make("div", { class: "lane" }, make("b", { text: lastPart(name) }), drawing, make("small", { text: outsiders(told) }));
  });
  const scale = make("div", { class: "scale", "aria-hidden": "true" });
  for (const mark of marks) {
    const text = light ? `${mark > 0 ? "+" : ""}${brief(mark)}` : brief(mark, 3);
    const word = make("span", { text });
    word.style.left = `${((mark - low) / (high - low)) * 100}%`;
    scale.append(word);
  }
  const words = light ? "stops from 0.18, eight bins each" : `${channels[0][1].counts.length} bins`;
  return make("figure", { class: "lanes" }, ...lanes, scale, make("figcaption", { text: `${words}; height: square root of the count` }));
}

function outline(bins, share) {
  const most = Math.max(1, ...bins.map((bin) => bin.count));
  let path = "M0 0";
  for (const bin of bins) {
    const left = share(bin.from) * WIDTH;
    const right = share(bin.to) * WIDTH;
    const top = HEIGHT * (1 - Math.sqrt(bin.count / most) * 0.96);
    path += `M${left.toFixed(1)} ${HEIGHT}V${top.toFixed(1)}H${right.toFixed(1)}V${HEIGHT}Z`;
  }
  return path;
}

// What has no place on a scale of stops.
function outsiders(told) {
  if (told.kind === "even") return "";
  const below = told.negative[1].reduce((sum, count) => sum + count, 0);
  return [told.zero ? `${whole(told.zero)} are 0` : "", below ? `${whole(below)} below 0` : ""].filter(Boolean).join(", ");
}
