// The last minutes of all channels on one grid of time: what the chart draws and the
// table lists. Values are kept as the bench sends them, grams or counts.

export class Grid {
  // cells of cellMS each; a cell holds mean, least and greatest of its points.
  constructor(channels, cells = 600, cellMS = 500) {
    this.cells = cells;
    this.cellMS = cellMS;
    this.channels = channels;
    this.clear();
  }

  clear() {
    this.newest = -1; // number of the newest cell: elapsed time / cellMS
    const empty = () => ({
      id: new Float64Array(this.cells).fill(-1),
      n: new Float64Array(this.cells),
      sum: new Float64Array(this.cells),
      lo: new Float64Array(this.cells),
      hi: new Float64Array(this.cells),
    });
    this.data = Array.from({ length: this.channels }, empty);
  }

  // add takes a "points" event: from, step_ms, series.
  add({ from, step_ms, series }) {
    series.forEach((values, channel) => {
      const d = this.data[channel];
      if (!d) return;
      values.forEach((value, i) => {
        const cell = Math.floor(((from + i) * step_ms) / this.cellMS);
        this.newest = Math.max(this.newest, cell);
        if (value === null) return;
        const [mean, lo, hi] = typeof value === "number" ? [value, value, value] : value;
        const k = cell % this.cells;
        if (d.id[k] !== cell || step_ms >= this.cellMS) {
          d.id[k] = cell;
          d.n[k] = 0;
          d.sum[k] = 0;
          d.lo[k] = lo;
          d.hi[k] = hi;
        }
        d.n[k] += 1;
        d.sum[k] += mean;
        d.lo[k] = Math.min(d.lo[k], lo);
        d.hi[k] = Math.max(d.hi[k], hi);
      });
    });
  }

  // times returns each cell's age in minutes, oldest first: -5 ... 0.
  times() {
    return Array.from({ length: this.cells }, (_, i) => ((i - this.cells + 1) * this.cellMS) / 60000);
  }

  // columns returns mean, lo and hi of a channel over times(), scaled; null is a gap.
  columns(channel, scale = 1) {
    const d = this.data[channel];
    const out = { mean: [], lo: [], hi: [] };
    for (let cell = this.newest - this.cells + 1; cell <= this.newest; cell++) {
      const k = ((cell % this.cells) + this.cells) % this.cells;
      const has = cell >= 0 && d.id[k] === cell;
      out.mean.push(has ? (d.sum[k] / d.n[k]) * scale : null);
      out.lo.push(has ? d.lo[k] * scale : null);
      out.hi.push(has ? d.hi[k] * scale : null);
    }
    return out;
  }
}

// sparse returns the values nearest to so many minutes ago, null where there is a gap.
export function sparse(mean, cellMS, minutesAgo) {
  return minutesAgo.map((m) => {
    const i = mean.length - 1 - Math.round((m * 60000) / cellMS);
    return mean[Math.max(0, i)] ?? mean[Math.max(0, i - 1)] ?? null;
  });
}

// figure writes x with so many decimals, and nothing as -0.0.
export function figure(x, decimals) {
  const text = x.toFixed(decimals);
  return /^-[0.]+$/.test(text) ? text.slice(1) : text;
}

// changeText says in words how far a value went.
export function changeText(change, decimals) {
  const text = figure(change, decimals);
  if (/^[0.]+$/.test(text)) return "no change";
  return change < 0 ? `down ${text.slice(1)}` : `up ${text}`;
}
