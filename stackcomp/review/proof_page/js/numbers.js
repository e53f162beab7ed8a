// Numbers as text.

const MINUS = "−";

// The fewest digits that are this float and no other.
export function exactFloat(value) {
  if (Number.isNaN(value)) return "not a number";
  if (!Number.isFinite(value)) return value > 0 ? "+infinite" : `${MINUS}infinite`;
  if (value === 0) return Object.is(value, -0) ? `${MINUS}0` : "0";
  for (let digits = 1; digits < 10; digits += 1) {
    const text = value.toPrecision(digits);
    if (Math.fround(Number(text)) === value) return plain(Number(text), text);
  }
  return plain(value, value.toPrecision(9));
}

function plain(value, text) {
  const size = Math.abs(value);
  const shown = size >= 1e-5 && size < 1e8 ? withoutExponent(value, text) : value.toExponential().replace("e+", "e");
  return shown.replaceAll("-", MINUS);
}

function withoutExponent(value, text) {
  if (!text.includes("e")) return text.includes(".") ? text.replace(/\.?0+$/, "") : text;
  return String(value);
}

// A number in a few digits, for labels and statistics.
export function brief(value, digits = 5) {
  if (value === null || value === undefined) return "–";
  if (!Number.isFinite(value)) return exactFloat(value);
  if (value === 0) return "0";
  const text = Number(value).toPrecision(digits);
  return plain(Number(text), text).replace(/(\.\d*?)0+$/, "$1").replace(/\.$/, "");
}

export const hex = (bits) => `0x${bits.toString(16).padStart(8, "0")}`;

export const whole = (count) => String(count).replace(/\B(?=(\d{3})+$)/g, "\u2009").replace("-", MINUS);

export const signed = (value) => (value > 0 ? `+${value}` : String(value).replace("-", MINUS));

// A count of pixels: as it is where it is small, else as a part of all.
export const share = (count, total) => {
  if (!count) return "none";
  if (count < 10_000) return whole(count);
  const part = (100 * count) / total;
  return part > 99.95 && count < total ? "> 99.9 %" : `${part.toFixed(part < 1 ? 2 : 1)} %`;
};

export function duration(seconds) {
  if (seconds === null || seconds === undefined) return "";
  if (seconds >= 10) return `${seconds.toFixed(1)} s`;
  if (seconds >= 1) return `${seconds.toFixed(2)} s`;
  return `${(seconds * 1000).toFixed(seconds < 0.1 ? 1 : 0)} ms`;
}

export const ordinal = (count) => `${count}${{ 2: "nd" }[count % 10] ?? "th"}`;

// The name of a channel within its layer.
export const lastPart = (name) => name.slice(name.lastIndexOf(".") + 1);
