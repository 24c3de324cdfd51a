// The curves of the last five minutes, drawn by uPlot: mean as a line, least and
// greatest as a band, the channel's name at the line's end.
import uPlot from "uplot";
import { colourOf, dashOf } from "./shapes.js";

const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

export class Chart {
  constructor(box) {
    this.box = box;
    this.plot = null;
    this.data = null;
    new ResizeObserver(() => this.plot?.setSize(this.size())).observe(box);
  }

  size() {
    return { width: Math.max(240, this.box.clientWidth), height: Math.min(420, Math.max(240, this.box.clientWidth * 0.42)) };
  }

  // build makes the plot anew: at the start, and when channels, unit or look change.
  // Each channel has its name and its number, which gives it colour and dash.
  build(channels, unit) {
    this.plot?.destroy();
    this.channels = channels;
    if (this.data?.length !== 1 + 3 * channels.length) this.data = null;
    const narrow = this.box.clientWidth < 480;
    const font = `${narrow ? 12 : 14}px system-ui, sans-serif`;
    const axis = { stroke: css("--ink-soft"), font, labelFont: font, grid: { stroke: css("--rule"), width: 1 }, ticks: { stroke: css("--rule"), width: 1 } };
    const series = [{}];
    const bands = [];
    channels.forEach(({ name, number }, i) => {
      const colour = colourOf(number);
      series.push({ label: name, stroke: colour, width: 2, dash: dashOf(number), points: { show: false }, spanGaps: false });
      for (const end of ["greatest", "least"]) {
        series.push({ label: `${name} ${end}`, stroke: "transparent", width: 0, points: { show: false }, spanGaps: false });
      }
      bands.push({ series: [3 * i + 2, 3 * i + 3], fill: colour + "33" });
    });
    this.plot = new uPlot(
      {
        ...this.size(),
        padding: [14, narrow ? 52 : 76, 4, 0],
        legend: { show: false },
        cursor: { show: false },
        scales: { x: { time: false, range: [-5, 0] }, y: { range: (_, lo, hi) => yRange(lo, hi) } },
        axes: [
          { ...axis, size: 34, splits: [-5, -4, -3, -2, -1, 0], values: (_, at) => at.map((m) => (m === 0 ? "now" : narrow ? `${m}` : `${-m} min ago`)) },
          { ...axis, size: narrow ? 44 : 56, label: unit, labelSize: 20, labelGap: 0 },
        ],
        series,
        bands,
        hooks: { draw: [(u) => this.nameLines(u)] },
      },
      this.data ?? [[], ...series.slice(1).map(() => [])],
      this.box,
    );
    // The drawing is one image to a reader; its text stands below it.
    for (const canvas of this.box.querySelectorAll("canvas")) canvas.setAttribute("aria-hidden", "true");
  }

  draw(times, columns) {
    this.data = [times, ...columns.flatMap(({ mean, lo, hi }) => [mean, hi, lo])];
    this.plot?.setData(this.data);
  }

  // nameLines writes each name at its line's end, moved apart where they would touch.
  nameLines(u) {
    const ctx = u.ctx;
    const px = devicePixelRatio;
    const gap = 15 * px;
    const labels = [];
    this.channels.forEach(({ name, number }, i) => {
      const mean = u.data[3 * i + 1];
      let k = mean.length - 1;
      while (k >= 0 && mean[k] == null) k--;
      if (k < 0) return;
      labels.push({ name, colour: colourOf(number), y: u.valToPos(mean[k], "y", true) });
    });
    labels.sort((a, b) => a.y - b.y);
    labels.forEach((l, i) => (l.y = i ? Math.max(l.y, labels[i - 1].y + gap) : Math.max(l.y, u.bbox.top)));
    let below = u.bbox.top + u.bbox.height;
    for (const l of labels.toReversed()) {
      l.y = Math.min(l.y, below);
      below = l.y - gap;
    }
    ctx.save();
    ctx.font = `600 ${12 * px}px system-ui, sans-serif`;
    ctx.textBaseline = "middle";
    ctx.textAlign = "left";
    for (const l of labels) {
      ctx.fillStyle = l.colour;
      ctx.fillText(short(l.name), u.bbox.left + u.bbox.width + 6 * px, l.y);
    }
    ctx.restore();
  }
}

const short = (name) => (name.length > 9 ? name.slice(0, 8) + "…" : name);

// yRange shows the tubes from empty, and never blows noise up to the chart's height.
function yRange(lo, hi) {
  if (lo == null || hi == null) return [0, 10];
  const low = Math.min(0, lo);
  return [low, Math.max(hi + (hi - low) * 0.06, low + 10)];
}
