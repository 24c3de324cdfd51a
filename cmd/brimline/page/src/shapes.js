// Small drawings: a shape for each state, a line sample for each channel. Made with
// the DOM, as the page's policy allows no script or style in markup.

const ns = "http://www.w3.org/2000/svg";

// What each state looks like. Shape and word say the same, so colour need not.
const paths = {
  flowing: "M8 2 15 14H1Z",
  draining: "M8 14 1 2h14Z",
  still: "M2.5 2.5h11v11h-11Z",
  lost: "M3 1 8 6l5-5 2 2-5 5 5 5-2 2-5-5-5 5-2-2 5-5-5-5Z",
  "over range": "M6 1h4v9H6Zm0 11h4v3H6Z",
  stuck: "M1 3h14v3H1Zm0 7h14v3H1Z",
  misreading: "M1 1h14v14H1Zm3 3v8h8V4Zm2 2h4v4H6Z",
  "near full": "M1 1h14v3H1Zm0 5h14v9H1Z",
  settling: "M8 1a7 7 0 1 1 0 14A7 7 0 0 1 8 1Zm0 3a4 4 0 1 0 0 8 4 4 0 0 0 0-8Z",
  waiting: "M8 1a7 7 0 1 1 0 14A7 7 0 0 1 8 1Zm0 3a4 4 0 1 0 0 8 4 4 0 0 0 0-8Z",
};

export function shape(state) {
  const svg = document.createElementNS(ns, "svg");
  svg.setAttribute("viewBox", "0 0 16 16");
  svg.setAttribute("aria-hidden", "true");
  const path = document.createElementNS(ns, "path");
  path.setAttribute("d", paths[state] ?? paths.waiting);
  path.setAttribute("fill-rule", "evenodd");
  svg.append(path);
  return svg;
}

// Dashes that tell lines apart without colour.
const dashes = [[], [9, 4], [2, 4], [12, 4, 2, 4], [5, 3], [16, 5], [8, 3, 2, 3, 2, 3], [1, 2]];
export const dashOf = (channel) => dashes[channel % dashes.length];
export const colourOf = (channel) =>
  getComputedStyle(document.documentElement).getPropertyValue(`--line-${(channel % 8) + 1}`).trim();

export function lineSample(channel) {
  const svg = document.createElementNS(ns, "svg");
  svg.setAttribute("viewBox", "0 0 36 6");
  svg.setAttribute("aria-hidden", "true");
  svg.classList.add("sample", `line-${(channel % 8) + 1}`);
  const line = document.createElementNS(ns, "path");
  line.setAttribute("d", "M0 3h36");
  line.setAttribute("stroke-dasharray", dashOf(channel).join(" "));
  svg.append(line);
  return svg;
}
