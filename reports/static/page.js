"use strict";
(() => {
const one = (query, root = document) => root.querySelector(query);
const all = (query, root = document) => [...root.querySelectorAll(query)];
const root = document.documentElement;
const words = JSON.parse(one("#words").textContent);
const INK = "#1B2630", FAINT = "#D3D7DB";
const coarse = matchMedia("(pointer: coarse)").matches;

// ---- columns: base64 to what plotly takes; instants to text without a zone, so that no browser shifts them
function bytes(text) {
  return Uint8Array.from(atob(text), (sign) => sign.charCodeAt(0)).buffer;
}
function column(packed) {
  if (packed.steps === undefined) return packed;
  const steps = packed.type === "u4" ? new Uint32Array(bytes(packed.steps)) : new Float64Array(bytes(packed.steps));
  return Array.from(steps, (step) => new Date(packed.first + step).toISOString().slice(0, -1));
}
function clothed(text) {
  const style = getComputedStyle(document.documentElement);
  const ink = style.getPropertyValue("--ink").trim(), line = style.getPropertyValue("--line").trim();
  return JSON.parse(text.replaceAll(INK, ink).replaceAll(FAINT, line));
}
function unpack(text) {
  const picture = clothed(text);
  for (const trace of picture.data) {
    trace.x = column(trace.x);
    trace.y = column(trace.y);
  }
  if (coarse) picture.layout.dragmode = false;
  picture.layout.hoverlabel = {font: {size: 13}};
  return picture;
}

// ---- pictures: drawn when they come into view; those over time move together
const options = {displayModeBar: false, responsive: true, doubleClick: false, scrollZoom: false};
const linked = new Map();
const steps = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200]; // ticks [s]
let shown = null, moving = false;
// A picture takes from the start the height it has when drawn: nothing below it moves, and a link lands where it points.
function reserve(holder, height) {
  holder.style.setProperty("--drawn-height", height + "px");
  holder.classList.add("reserved");
}
function draw(holder, text) {
  const live = one(".live", holder);
  live.hidden = false;
  holder.classList.add("is-live");
  try {
    const picture = unpack(text);
    reserve(holder, picture.layout.height);
    fit(picture.layout, live.clientWidth);
    if (picture.time && holder.dataset.name) {
      const {whole} = picture.layout.meta, {margin} = picture.layout;
      thinTicks(picture.layout.xaxis, live.clientWidth - margin.l - margin.r);
      linked.set(holder, {live, whole, first: {...picture.layout.xaxis}});
      if (shown) {
        const axis = axisFor(linked.get(holder), shown);
        Object.assign(picture.layout.xaxis, axis);
        const marked = [...picture.layout.shapes, ...picture.layout.annotations];
        for (const mark of marked) if (mark.name === "fold") mark.visible = axis.rangebreaks?.length > 0;
      }
    }
    Plotly.react(live, picture.data, picture.layout, options);
    return [live, picture];
  } catch (fault) {
    linked.delete(holder);
    holder.classList.remove("is-live");
    live.hidden = true;
    console.warn(words.failed, fault);
    return null;
  }
}
// On a narrow page: fewer ticks, limits named briefly and clear of the titles, the decision's word clear of the limits.
function fit(layout, width) {
  if (!width || width > 600) return;
  const axis = layout.xaxis;
  const isTime = axis.type === "date";
  if (isTime) axis.nticks = Math.max(2, Math.floor((width - layout.margin.l - layout.margin.r) / 90));
  const place = (value) => (isTime ? asTime(value) : value);
  const [low, high] = axis.range.map(place);
  for (const mark of layout.annotations) {
    if (mark.name === "moment" && (place(mark.x) - low) / (high - low) > 0.3) Object.assign(mark, {xanchor: "right", xshift: -4});
    if (!mark.name?.startsWith("limit ")) continue;
    const [foot, head] = layout[mark.yref.replace("y", "yaxis")].range;
    mark.text = mark.name.slice(6);
    mark.yanchor = (mark.y - foot) / (head - foot) > 0.6 ? "top" : "bottom";
  }
}
function start(holder) {
  const data = one(":scope > .picture-data", holder);
  if (!data || holder.dataset.done) return;
  const drawn = draw(holder, data.textContent);
  if (!drawn) return;
  holder.dataset.done = "1";
  const [live, picture] = drawn;
  if (picture.time) {
    live.on("plotly_relayout", (change) => {
      if (!moving && change["xaxis.range[0]"] !== undefined) move([change["xaxis.range[0]"], change["xaxis.range[1]"]]);
    });
    live.on("plotly_doubleclick", () => move(linked.get(holder).whole));
  }
  if (holder.dataset.name === "band") {
    const point = (event) => {
      const key = event.points?.[0]?.customdata;
      if (key !== undefined) choose(String(key));
    };
    live.on("plotly_click", point);
    live.on("plotly_hover", point);
  }
}
const asTime = (text) => Date.parse(String(text).replace(" ", "T").replace(/Z?$/, "Z"));
const asText = (time) => new Date(time).toISOString().slice(0, -1);
// Where it would be seen if what is left out took no room.
const folded = (cuts) => (time) => cuts.reduce((sum, [from, to]) => sum - Math.min(Math.max(time - from, 0), to - from), time);
const cutsOf = (axis) => (axis.rangebreaks ?? []).map((cut) => cut.bounds.map(asTime));
// Ticks that were chosen for a wide picture: on a narrow one some give way.
function thinTicks(axis, width) {
  if (axis.tickmode !== "array" || axis.type !== "date") return;
  const seen = folded(cutsOf(axis)), [low, high] = axis.range.map((end) => seen(asTime(end)));
  let last = -Infinity, day = "";
  const kept = [];
  axis.tickvals.forEach((tick, place) => {
    const at = (seen(asTime(tick)) - low) / (high - low) * width;
    const [clock, named] = axis.ticktext[place].split("<br>");
    day = named ?? day; // the day of a tick that gives way moves on to the next that stays
    if (at - last < (day ? 62 : 46)) return; // a date is as wide as two clocks
    last = at + (day ? 20 : 0);
    kept.push([tick, day ? clock + "<br>" + day : clock]);
    day = "";
  });
  axis.tickvals = kept.map(([tick]) => tick);
  axis.ticktext = kept.map(([, text]) => text);
}
// An axis with stretches left out keeps them out while it shows a part; all of the recording is shown to scale.
function axisFor({live, whole, first}, range) {
  if (!first.rangebreaks) return {range: range.slice()};
  const [low, high] = range.map(asTime), [start, end] = whole.map(asTime);
  const cuts = cutsOf(first);
  const inside = cuts.some(([from, to]) => low >= from && low < to || high > from && high <= to);
  const all = low <= start && high >= end;
  if (inside || all) return {range: range.slice(), rangebreaks: [], tickmode: "auto"};
  // Plotly chooses its ticks as if nothing were left out; these are for the time that is seen.
  const seen = high - low - cuts.reduce((sum, [from, to]) => sum + Math.max(0, Math.min(high, to) - Math.max(low, from)), 0);
  const dtick = steps.find((size) => size * 6000 >= seen) ?? 86400;
  const axis = {type: "date", range: range.slice(), rangebreaks: first.rangebreaks, tickmode: "array",
    ...ticksEvery(dtick * 1000, low, high, cuts, first.tickformatstops[0].value.includes("%-j"))};
  const {margin} = live.layout ?? {margin: {l: 56, r: 16}};
  thinTicks(axis, live.clientWidth - margin.l - margin.r);
  return axis;
}
// Ticks at whole multiples of a step between the cuts; the first of each day names it.
function ticksEvery(step, low, high, cuts, relative) {
  const tickvals = [], ticktext = [];
  let day = null;
  for (const [from, to] of [...cuts, [high, high]]) {
    const end = Math.min(from, high);
    for (let time = Math.ceil(low / step) * step; time <= end; time += step) {
      const text = asText(time), today = relative ? words.day.replace("%s", 1 + Math.floor(time / 86400000)) : text.slice(0, 10);
      tickvals.push(text);
      ticktext.push(text.slice(11, step < 60000 ? 19 : 16) + (today === day ? "" : "<br>" + today));
      day = today;
    }
    low = Math.max(low, to);
  }
  return {tickvals, ticktext};
}
// The marks of what is left out are shown only where something is.
function marks(live, cut) {
  return Object.fromEntries(["shapes", "annotations"].flatMap((kind) => (live.layout[kind] ?? [])
    .map((mark, place) => mark.name === "fold" ? [`${kind}[${place}].visible`, cut] : null).filter(Boolean)));
}
const update = ({live}, axis) => Plotly.relayout(live, {...marks(live, axis.rangebreaks?.length > 0),
  ...Object.fromEntries(Object.entries(axis).map(([key, value]) => ["xaxis." + key, value]))});
async function move(range) {
  moving = true;
  shown = range.slice();
  await Promise.all([...linked.values()].map((picture) => update(picture, axisFor(picture, range))));
  moving = false;
}
async function back() {
  moving = true;
  shown = null;
  await Promise.all([...linked.values()].map((picture) => {
    const {range, rangebreaks = [], tickmode = "auto", tickvals = [], ticktext = []} = picture.first;
    return update(picture, {range: range.slice(), rangebreaks, tickmode, tickvals, ticktext});
  }));
  moving = false;
}
function step(holder, what) {
  const picture = linked.get(holder);
  if (!picture) return undefined;
  if (what === "first") return back();
  if (what === "all") return move(picture.whole);
  // Lengths are those seen: what is left out between takes no room.
  const axis = picture.live.layout.xaxis, cuts = cutsOf(axis), fold = folded(cuts);
  const unfold = (seen) => cuts.reduce((time, [from, to]) => (time >= from ? time + to - from : time), seen);
  const [low, high] = axis.range.map(asTime).map(fold);
  const width = high - low, middle = (low + high) / 2;
  const change = {closer: [middle - width / 4, middle + width / 4], wider: [middle - width, middle + width],
    earlier: [low - width / 2, high - width / 2], later: [low + width / 2, high + width / 2]}[what];
  return move(change.map(unfold).map(asText));
}
const holders = all("figure.picture");
for (const holder of all(".picture")) {
  const drawing = one(".drawing > svg", holder);
  if (drawing && one(":scope > .live", holder)) reserve(holder, drawing.viewBox.baseVal.height);
}
for (const holder of holders) {
  const data = one(":scope > .picture-data", holder);
  if (data && data.textContent.endsWith('"time":true}') && one("#tools")) {
    const tools = one("#tools").content.cloneNode(true);
    for (const button of all("button", tools)) button.addEventListener("click", () => { start(holder); step(holder, button.dataset.do); });
    one("h3", holder).after(tools);
  }
}
// One picture a frame: the first is seen before the next is drawn. Until then what is out of sight is not laid out
// (page.css); a link needs it laid out to land where it points.
const settle = () => root.classList.add("settled");
for (const act of ["click", "beforeprint"]) addEventListener(act, settle, true);
if (location.hash) settle();
const waiting = [];
function inTurn(act) {
  if (waiting.push(act) === 1) nextTurn();
}
const nextTurn = () => requestAnimationFrame(() => setTimeout(() => {
  waiting[0]();
  waiting.shift();
  if (waiting.length) nextTurn();
  else settle();
}, 0));
const watch = new IntersectionObserver((entries) => {
  for (const entry of entries) if (entry.isIntersecting) { watch.unobserve(entry.target); inTurn(() => start(entry.target)); }
}, {rootMargin: "200px"});

// ---- one standstill, looked at closely
const select = one("#standstill"), near = one("#picture-evidence");
let evidence = null;
function choose(key) {
  if (!select || select.value === key && near.dataset.key === key) return;
  evidence ??= JSON.parse(one("#evidence-data").textContent);
  const entry = evidence[key];
  if (!entry) return;
  select.value = key;
  near.dataset.key = key;
  one("#evidence-words").textContent = entry.words;
  draw(near, JSON.stringify(entry.picture));
}
if (select) {
  const go = (by) => {
    const place = select.selectedIndex + by;
    if (place >= 0 && place < select.options.length) choose(select.options[place].value);
  };
  new IntersectionObserver((entries, self) => {
    if (entries.some((entry) => entry.isIntersecting)) { self.disconnect(); inTurn(() => choose(select.value)); }
  }, {rootMargin: "200px"}).observe(near);
  select.addEventListener("input", () => choose(select.value));
  select.addEventListener("focus", () => choose(select.value));
  one("#before").addEventListener("click", () => go(-1));
  one("#after").addEventListener("click", () => go(1));
}

// ---- tables: sorted by a click on a heading, saved and copied as CSV
const raw = (cell) => (cell.dataset.raw ?? cell.textContent.trim()).replaceAll("\u00a0", " ");
function quoted(text) {
  const safe = /^[=+\-@\t\r]/.test(text) && isNaN(Number(text)) ? "'" + text : text;
  return /[",\n\r]/.test(safe) ? '"' + safe.replaceAll('"', '""') + '"' : safe;
}
function csv(table) {
  return all("tr", table).map((row) => [...row.cells].map((cell) => quoted(raw(cell))).join(",")).join("\r\n") + "\r\n";
}
function sortBy(table, place, heading) {
  const up = heading.getAttribute("aria-sort") !== "ascending";
  for (const other of all("thead th", table)) other.removeAttribute("aria-sort");
  heading.setAttribute("aria-sort", up ? "ascending" : "descending");
  const numeric = heading.classList.contains("number");
  const value = (row) => {
    const text = raw(row.cells[place]);
    return numeric ? (text === "" || isNaN(Number(text)) ? null : Number(text)) : text;
  };
  const rows = [...table.tBodies[0].rows].map((row) => [value(row), row]);
  rows.sort(([a], [b]) => {
    if (a === null || b === null) return (a === null) - (b === null);
    return (numeric ? a - b : a.localeCompare(b)) * (up ? 1 : -1);
  });
  table.tBodies[0].append(...rows.map(([, row]) => row));
}
function button(text, act) {
  const made = document.createElement("button");
  made.type = "button";
  made.textContent = text;
  made.addEventListener("click", () => act(made));
  return made;
}
function furnish(table) {
  all("thead th", table).forEach((heading, place) => {
    const text = heading.textContent;
    const press = button(text, () => sortBy(table, place, heading));
    heading.dataset.raw = text;
    press.title = words.sort.replace("%s", text);
    heading.replaceChildren(press);
  });
  const row = document.createElement("div");
  row.className = "take";
  row.append(button(words.csv, () => {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob(["\ufeff" + csv(table)], {type: "text/csv"}));
    link.download = table.dataset.name + ".csv";
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  }));
  if (navigator.clipboard) row.append(button(words.copy, async (pressed) => {
    await navigator.clipboard.writeText(csv(table).replaceAll(",", "\t"));
    pressed.textContent = words.copied;
  }));
  table.parentElement.before(row);
}
for (const folded of all("details.numbers")) {
  folded.addEventListener("toggle", () => {
    const table = one("table", folded);
    if (folded.open && !table.dataset.furnished) { table.dataset.furnished = "1"; furnish(table); }
  });
}

// ---- dark and light
const theme = one("#theme"), dark = matchMedia("(prefers-color-scheme: dark)");
const isDark = () => root.dataset.theme ? root.dataset.theme === "dark" : dark.matches;
function redress() {
  if (theme) theme.textContent = isDark() ? words.light : words.dark;
  for (const holder of holders) if (holder.dataset.done) draw(holder, one(":scope > .picture-data", holder).textContent);
  if (near?.dataset.key) draw(near, JSON.stringify(evidence[near.dataset.key].picture));
}
if (theme) {
  theme.addEventListener("click", () => { root.dataset.theme = isDark() ? "light" : "dark"; redress(); });
  dark.addEventListener("change", redress);
  theme.textContent = isDark() ? words.light : words.dark;
}
for (const hidden of all(".needs-script")) hidden.hidden = false;
const contents = one("#contents");
if (contents && matchMedia("(min-width: 1100px)").matches) contents.open = true;
// A browser's print dialogue shows the drawings, not the live pictures: nothing to do here, the style sheet does it.
requestAnimationFrame(() => setTimeout(() => { for (const holder of holders) watch.observe(holder); }, 0));
})();
