// Dark or light: as the system asks, until the switch is used.
import { byId } from "./dom.js";

const dark = matchMedia("(prefers-color-scheme: dark)");

function show() {
  const chosen = document.documentElement.dataset.theme ?? (dark.matches ? "dark" : "light");
  byId("theme").textContent = chosen === "dark" ? "light" : "dark";
  byId("theme").setAttribute("aria-label", `Change to ${chosen === "dark" ? "light" : "dark"}`);
  document.dispatchEvent(new Event("theme"));
}

export function otherTheme() {
  const root = document.documentElement;
  const now = root.dataset.theme ?? (dark.matches ? "dark" : "light");
  root.dataset.theme = now === "dark" ? "light" : "dark";
  show();
}

export function startTheme() {
  byId("theme").addEventListener("click", otherTheme);
  dark.addEventListener("change", show);
  show();
}
