// The bench's page: follows the live stream, and says so when it cannot.
import { Chart } from "./chart.js";
import { Grid, changeText, figure, sparse } from "./grid.js";
import { lineSample, shape } from "./shapes.js";

const $ = (id) => document.getElementById(id);
const el = (name, className, text) => {
  const e = document.createElement(name);
  if (className) e.className = className;
  if (text !== undefined) e.textContent = text;
  return e;
};
// set changes text only when it is another, so that readers and layout rest.
const set = (e, text) => e.textContent !== text && (e.textContent = text);

const silentMS = 1500; // no event for so long: contact is lost (one comes every 400 ms)
const renewMS = 4000; // and after this a new connection is tried, whatever the old one believes

let state = null;
let tiles = [];
let grid = null;
let boot = null;
let heard = 0; // when the last event came
let source = null;
let opened = 0;
let inContact = null;
let findingShown = -1;
const chart = new Chart($("chart"));
const calm = matchMedia("(prefers-reduced-motion: reduce)");

// --- choices -----------------------------------------------------------------

const remember = (key, value) => {
  try {
    localStorage.setItem(key, value);
  } catch {
    // A browser that keeps nothing still shows everything.
  }
};
const remembered = (key) => {
  try {
    return localStorage.getItem(key);
  } catch {
    return null;
  }
};
function choice(name, otherwise, changed) {
  const inputs = [...document.querySelectorAll(`input[name=${name}]`)];
  const first = inputs.find((i) => i.value === (remembered(name) ?? otherwise)) ?? inputs[0];
  first.checked = true;
  for (const input of inputs) {
    input.addEventListener("change", () => {
      remember(name, input.value);
      changed(input.value);
    });
  }
  return first.value;
}
function theme(value) {
  document.documentElement.dataset.theme = value;
  rebuild();
}
let unitChoice = choice("unit", "mL", (value) => {
  unitChoice = value;
  rebuild();
  if (state) showState();
});
theme(choice("theme", "light", theme));
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", rebuild);

// --- what is shown -----------------------------------------------------------

const unit = () => (state?.density_g_per_ml && unitChoice === "mL" ? "mL" : "g");
const perGram = () => (unit() === "mL" ? 1 / state.density_g_per_ml : 1);
// drawn are the channels of the curve: grams, millilitres of level senders without a
// density, and counts share no axis.
const drawn = () => {
  const all = state.channels.map((c, number) => ({ name: c.name, number, unit: c.unit }));
  const grams = all.filter((c) => c.unit === "g");
  const volumes = all.filter((c) => c.unit === "mL");
  return grams.length ? grams : volumes.length ? volumes : all;
};
const shownUnit = (c) => (c?.unit === "g" ? unit() : c?.unit ?? "counts");
const curveUnit = () => shownUnit(drawn()[0]);

function valueOf(c) {
  const amount = c.unit === "mL" ? c.volume_ml : c.mass_g;
  if (c.unit === "counts" || amount === null) return { text: c.unit !== "counts" || c.counts === null ? null : String(c.counts), unit: shownUnit(c) };
  const x = c.unit === "mL" ? amount : amount * perGram();
  return { text: figure(x, 1), unit: shownUnit(c) };
}

function ageText(s) {
  if (s === null) return "no reading yet";
  if (s < 1) return "under 1 s ago";
  if (s < 60) return `${s.toFixed(1)} s ago`;
  return s < 5400 ? `${Math.round(s / 60)} min ago` : `${Math.round(s / 3600)} h ago`;
}

function makeTiles() {
  tiles = state.channels.map((c, i) => {
    const t = { root: el("article", "tile") };
    t.root.setAttribute("aria-labelledby", `tube-${i}`);
    const title = el("h3", "", "");
    title.id = `tube-${i}`;
    title.append(el("span", "", c.name), lineSample(i));
    t.gauge = el("div", "gauge");
    t.gauge.setAttribute("aria-hidden", "true");
    t.level = el("div", "level");
    t.gauge.append(t.level);
    const value = el("p", "value");
    t.digits = el("span", "digits", "–");
    t.unit = el("span", "unit");
    value.append(t.digits, " ", t.unit);
    const word = el("p", "state");
    t.mark = el("span", "mark");
    t.word = el("span", "word");
    word.append(t.mark, t.word);
    t.rate = el("p", "rate");
    t.age = el("p", "age");
    t.says = el("p", "says");
    const body = el("div", "body");
    body.append(title, value, word, t.rate, t.age, t.says);
    t.root.append(t.gauge, body);
    return t;
  });
  $("tiles").replaceChildren(...tiles.map((t) => t.root));
  arrange();
}

// arrange spreads the tiles evenly over as few rows as their width allows.
function arrange() {
  const width = $("tiles").clientWidth;
  const most = Math.max(1, Math.min(4, Math.floor(width / (width < 460 ? 155 : 230))));
  const rows = Math.ceil(tiles.length / most);
  $("tiles").style.setProperty("--columns", Math.max(1, Math.ceil(tiles.length / rows)));
}
new ResizeObserver(arrange).observe($("tiles"));

function showTile(t, c, contact) {
  const word = contact ? c.state : "lost";
  const v = valueOf(c);
  // A value without a fresh reading is not shown as one.
  const fresh = contact && !["lost", "waiting", "settling", "over range", "stuck", "misreading"].includes(word) && v.text !== null;
  if (t.root.dataset.state !== word) {
    t.root.dataset.state = word;
    t.mark.replaceChildren(shape(word));
  }
  set(t.word, word);
  set(t.digits, fresh ? v.text : "– –");
  set(t.unit, v.unit);
  t.root.dataset.long = fresh && v.text.length > 5 ? "yes" : "no";
  const rate = shownUnit(c) === "mL" ? c.rate_ml_per_min : c.rate_g_per_min;
  set(t.rate, fresh && rate !== null ? `≈ ${rate.toFixed(1)} ${shownUnit(c)}/min` : "\u00a0");
  const age = c.age_s === null ? null : c.age_s + (Date.now() - heard) / 1000;
  set(t.age, fresh || v.text === null ? ageText(age) : `last ${v.text} ${v.unit}, ${ageText(age)}`);
  set(t.says, contact ? c.says : "no word from the bench");
  const level = fresh && c.volume_ml !== null ? Math.min(1, Math.max(0, c.volume_ml / c.capacity_ml)) : 0;
  t.gauge.hidden = c.volume_ml === null && fresh;
  t.level.style.height = `${(level * 100).toFixed(1)}%`;
}

function showTiles() {
  if (state) state.channels.forEach((c, i) => showTile(tiles[i], c, inContact !== false));
}

function showState() {
  set($("bench"), state.bench);
  document.title = `${state.simulated ? "Simulated: " : ""}${state.bench} – brimline`;
  $("simulated").hidden = !state.simulated;
  $("units").hidden = !state.density_g_per_ml;
  showTiles();
  const s = state.store;
  set($("store"), !s ? "Store: none" : `Store: ${s.ok ? "recording" : "NOT RECORDING"}, ${s.stored.toLocaleString("en")} readings since the start, ${size(s.bytes)} in ${s.path}${s.free_bytes >= 0 ? `, ${size(s.free_bytes)} free` : ""}`);
  set($("shipping"), shippingText(state.shipping));
  set($("room"), state.room && s && s.ok && state.room.says ? `Room: ${state.room.says}` : "");
  set($("clock"), state.clock && state.clock.says ? `Clock: ${state.clock.says}` : "");
  set($("about"), `brimline ${state.version}, boot ${state.boot}, up ${upText(state.up_s)}`);
  alarm(state.failed || (s && !s.ok ? s.says : ""));
  if (state.finding !== findingShown) loadFinding(state.finding);
}

// How far the shared store is behind, and why.
function shippingText(x) {
  if (!x) return "";
  const behind = x.behind_points === 0 ? "nothing behind" : `${x.behind_points.toLocaleString("en")} points behind (${upText(x.behind_s)} of readings)`;
  const aside = x.aside > 0 ? `, ${x.aside.toLocaleString("en")} refused and set aside` : "";
  return `Shared store ${x.target}: ${x.state}, ${behind}${aside}${x.says ? `: ${x.says}` : ""}`;
}

const size = (b) => (b < 1e6 ? `${Math.round(b / 1e3)} kB` : b < 1e9 ? `${(b / 1e6).toFixed(1)} MB` : `${(b / 1e9).toFixed(1)} GB`);
const upText = (s) => (s < 120 ? `${Math.round(s)} s` : s < 7200 ? `${Math.round(s / 60)} min` : `${(s / 3600).toFixed(1)} h`);

let benchAlarm = "";
function alarm(text) {
  benchAlarm = text;
  set($("alarm"), !inContact && inContact !== null ? "No contact with the bench. What is below is not live; trying again." : text ? `Not recording: ${text}` : "");
}

function contact(now) {
  if (now === inContact) return;
  const before = inContact;
  inContact = now;
  const box = $("contact");
  box.dataset.state = now ? "flowing" : "lost";
  box.querySelector(".mark").replaceChildren(shape(now ? "still" : "lost"));
  set(box.querySelector(".word"), now ? "live" : "no contact");
  if (before !== null && now) set($("told"), "The bench is live again.");
  alarm(benchAlarm);
  showTiles();
}

// --- curves ------------------------------------------------------------------

function rebuild() {
  if (!state) return;
  chart.build(drawn(), curveUnit());
  drawnAt = describedAt = -Infinity;
  showCurve();
}

let drawnAt = -Infinity;
function showCurve() {
  if (!grid || grid.newest < 0) return;
  const now = performance.now();
  if (now - drawnAt < (calm.matches ? 2000 : 380)) return;
  drawnAt = now;
  const scale = drawn()[0]?.unit === "g" ? perGram() : 1;
  const columns = drawn().map(({ number }) => grid.columns(number, scale));
  chart.draw(grid.times(), columns);
  describe(columns);
}

let describedAt = -Infinity;
function describe(columns) {
  if (performance.now() - describedAt < 5000) return;
  describedAt = performance.now();
  const u = curveUnit();
  const digits = u === "counts" ? 0 : 1;
  const parts = drawn().map(({ name }, i) => {
    const known = columns[i].mean.filter((x) => x !== null);
    if (!known.length) return `${name} has no reading`;
    const change = known.at(-1) - known[0];
    return `${name} ${figure(known.at(-1), digits)} ${u} (${changeText(change, digits)})`;
  });
  const left = state.channels.filter((c) => u !== "counts" && c.unit === "counts").map((c) => c.name);
  set($("summary"), `Now, and the change over what is drawn: ${parts.join(", ")}.${left.length ? ` Not drawn, for want of a calibration: ${left.join(", ")}.` : ""}`);
  const ago = [5, 4, 3, 2, 1, 0];
  const head = el("tr");
  head.append(...[`Tube, ${u}`, ...ago.map((m) => (m ? `${m} min ago` : "now"))].map((text) => column(text)));
  const rows = drawn().map(({ name }, i) => {
    const row = el("tr");
    row.append(rowHead(name), ...sparse(columns[i].mean, grid.cellMS, ago).map((x) => el("td", "", x === null ? "–" : figure(x, digits))));
    return row;
  });
  table($("table"), head, rows);
}

function column(text) {
  const th = el("th", "", text);
  th.scope = "col";
  return th;
}
function rowHead(text) {
  const th = el("th", "", text);
  th.scope = "row";
  return th;
}
function table(t, head, rows) {
  const thead = el("thead");
  const tbody = el("tbody");
  thead.append(head);
  tbody.append(...rows);
  t.replaceChildren(thead, tbody);
}

// --- finding -----------------------------------------------------------------

async function loadFinding(number) {
  findingShown = number;
  try {
    const answer = await fetch("/api/v1/finding", { cache: "no-store" });
    const { finding, error } = await answer.json();
    showFinding(finding, error);
  } catch {
    findingShown = -1; // the next state tries again
  }
}

function showFinding(finding, error) {
  set($("says"), finding?.says || (error ? `The last fill gave no finding: ${error}` : "No fill has ended yet."));
  set($("when"), finding ? `Worked out ${new Date(finding.at).toLocaleTimeString("en-GB")} from the last minutes. ± is half the 95 % interval.` : "");
  const whole = finding?.flags ?? [];
  $("whole").replaceChildren(...whole.map(flagLine));
  const own = (flags) => flags.filter((f) => !whole.some((w) => w.code === f.code && w.says === f.says));
  const fills = finding?.fills ?? [];
  $("fills-box").hidden = !fills.length;
  // Grams stand beside millilitres only when a fill has no volume.
  const volume = fills.every((f) => f.rate_ml_per_min !== null);
  const rates = fills.map((f) => (volume ? [f.rate_ml_per_min, f.u95_ml_per_min] : [f.rate_g_per_min, f.u95_g_per_min]));
  const decimals = decimalsFor(rates.map(([, u95]) => u95));
  const head = el("tr");
  head.append(column("Tube"), column(volume ? "mL/min" : "g/min"), column("Flags"));
  // What is said stands below its tube, over the whole width: a phone has no room beside it.
  table($("fills"), head, fills.flatMap((f, i) => {
    const [x, u95] = rates[i];
    const flags = own(f.flags);
    const worst = ["forbids", "doubt", "note"].find((s) => flags.some((g) => g.severity === s));
    const row = el("tr");
    const word = worst ? severityWord(worst, "No finding") : el("span", "", whole.length ? "as above" : "none");
    const said = el("td");
    said.append(word);
    row.append(rowHead(f.channel), el("td", "", x === null ? "–" : x.toFixed(decimals) + (u95 === null ? "" : ` ± ${u95.toFixed(decimals)}`)), said);
    if (!flags.length) return [row];
    row.className = "flagged";
    const below = el("tr");
    const doubts = el("td", "doubts");
    doubts.colSpan = 3;
    doubts.append(...flags.map(flagLine));
    below.append(doubts);
    return [row, below];
  }));
}

function severityWord(severity, forbids) {
  const word = el("b", "severity", { note: "Note", doubt: "Doubt", forbids }[severity]);
  word.dataset.severity = severity;
  return word;
}

// flagLine is a flag in words, what it takes from the fill first.
function flagLine(flag) {
  const p = el("p");
  p.append(severityWord(flag.severity, "No finding may rest on this"), `: ${flag.says}.`);
  return p;
}

// decimalsFor gives the largest uncertainty two digits: as many as the table can bear.
function decimalsFor(u95s) {
  const largest = Math.max(...u95s.filter((u) => u > 0));
  return Number.isFinite(largest) ? Math.min(3, Math.max(0, 1 - Math.floor(Math.log10(largest)))) : 2;
}

// --- the stream --------------------------------------------------------------

function open() {
  source?.close();
  opened = Date.now();
  source = new EventSource("/api/v1/live");
  source.addEventListener("state", (e) => {
    heard = Date.now();
    const key = () => state?.channels.map((c) => c.name + c.unit).join();
    const before = key();
    state = JSON.parse(e.data);
    if (state.boot !== boot || !grid) {
      boot = state.boot;
      if (waitingPoints?.boot !== boot) waitingPoints = null;
      grid = new Grid(state.channels.length);
      findingShown = -1;
      if (waitingPoints) grid.add(waitingPoints);
      waitingPoints = null;
    }
    const changed = before !== key();
    if (changed) makeTiles();
    showState();
    contact(true);
    if (changed) rebuild();
    showCurve();
  });
  source.addEventListener("points", (e) => {
    heard = Date.now();
    const points = JSON.parse(e.data);
    if (grid && points.boot === boot) grid.add(points);
    else waitingPoints = points; // the past comes before the first state of a boot
  });
}
let waitingPoints = null;

function watch() {
  const now = Date.now();
  if (heard && now - heard > silentMS) contact(false);
  else if (!heard && now - opened > silentMS) contact(false);
  if (now - Math.max(heard, opened) > renewMS || (source.readyState === EventSource.CLOSED && now - opened > 1000)) open();
  if (inContact === false) showTiles(); // ages go on
}

open();
setInterval(watch, 250);
document.addEventListener("visibilitychange", () => !document.hidden && watch());
