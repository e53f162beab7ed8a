// Everything begins here.
import { focusBox, showStep, watchBoard } from "./board.js";
import { byId } from "./dom.js";
import { startKeys } from "./keys.js";
import { head } from "./pieces.js";
import { openSheet, setStep, startSheet } from "./sheet.js";
import { startTheme } from "./theme.js";

let step = 0;

function goToStep(number) {
  step = Math.min(head.steps.length - 1, Math.max(0, number));
  byId("step").value = String(step);
  byId("step-label").textContent = head.steps[step].label;
  showStep(step);
  setStep(step);
}

startTheme();
startSheet({ step: goToStep, closed: (node) => focusBox(node) });
watchBoard((node) => openSheet(node, step));
startKeys((by) => goToStep(step + by));
byId("step").addEventListener("input", (event) => goToStep(Number(event.target.value)));
goToStep(0);
