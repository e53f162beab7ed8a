// A canvas as large as a picture's data window, painted a little at a time so that the page stays responsive.

const SLICE = 14; // ms
const COARSE = 600_000; // pixels up to which a picture is painted at once

export class Surface {
  constructor(changed) {
    this.canvas = document.createElement("canvas");
    this.context = this.canvas.getContext("2d");
    this.changed = changed;
    this.job = 0;
    this.done = true;
    this.window = { x: 0, y: 0, width: 0, height: 0 };
  }

  clear() {
    this.job += 1;
    this.done = true;
    this.window = { x: 0, y: 0, width: 0, height: 0 };
  }

  // Paint anew; what is painted already stays until it is painted over.
  paint(painter, window) {
    this.job += 1;
    const job = this.job;
    const { width, height } = window;
    if (this.canvas.width !== width || this.canvas.height !== height) {
      this.canvas.width = Math.max(1, width);
      this.canvas.height = Math.max(1, height);
    }
    this.window = window;
    this.done = width < 1 || height < 1;
    if (this.done) return;
    const step = Math.ceil(Math.sqrt((width * height) / COARSE));
    if (step > 1) {
      this.coarse(painter, step);
      this.changed();
    }
    const band = new ImageData(width, Math.max(1, Math.min(height, Math.ceil(160_000 / width))));
    let row = 0;
    const slice = () => {
      if (job !== this.job) return;
      const end = performance.now() + SLICE;
      while (row < height && performance.now() < end) {
        const rows = Math.min(band.height, height - row);
        for (let k = 0; k < rows; k += 1) painter(row + k, 0, width, 1, band.data, 4 * k * width);
        this.context.putImageData(band, 0, row, 0, 0, width, rows);
        row += rows;
      }
      this.done = row >= height;
      this.changed();
      if (!this.done) setTimeout(slice);
    };
    if (step > 1) setTimeout(slice);
    else slice();
  }

  coarse(painter, step) {
    const { width, height } = this.window;
    const columns = Math.ceil(width / step);
    const rows = Math.ceil(height / step);
    const small = new ImageData(columns, rows);
    for (let row = 0; row < rows; row += 1) painter(row * step, 0, columns, step, small.data, 4 * row * columns);
    const canvas = document.createElement("canvas");
    canvas.width = columns;
    canvas.height = rows;
    canvas.getContext("2d").putImageData(small, 0, 0);
    this.context.imageSmoothingEnabled = false;
    this.context.drawImage(canvas, 0, 0, columns * step, rows * step);
  }
}
