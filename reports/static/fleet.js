"use strict";
(() => {
const all = (query, root = document) => [...root.querySelectorAll(query)];
const form = document.querySelector(".filters"), table = document.querySelector("#week-table");
const data = JSON.parse(document.querySelector("#fleet-data").textContent);
const rows = all("details.vehicle"), smalls = all(".small-figure[data-vehicle], #visits [data-vehicle]"), status = document.querySelector("#shown");
const whole = (value) => value.toLocaleString(document.documentElement.lang, {maximumFractionDigits: value < 10 ? 1 : 0});
const names = rows.map((row) => row.dataset.vehicle);

// ---- which vehicles fit the choices; then everything that can be counted anew is counted anew
function fits(is, name, choice) {
  for (const key of ["platform", "battery", "depot"]) if (choice[key] && is[key] !== choice[key]) return false;
  return !choice.name || name.toLowerCase().includes(choice.name.toLowerCase());
}
function sum(list, from, to) {
  let total = 0;
  for (let at = from; at <= to; at++) total += list[at] || 0;
  return total;
}
function narrow() {
  const choice = Object.fromEntries(new FormData(form));
  const last = data.weeks.length - 1;
  let from = Number(choice.from ?? 0), to = Number(choice.to ?? last);
  if (from > to) [from, to] = [to, from];
  const shown = new Set();
  rows.forEach((row, place) => {
    row.hidden = !fits(row.dataset, names[place], choice);
    if (!row.hidden) shown.add(names[place]);
  });
  for (const small of smalls) small.hidden = !shown.has(small.dataset.vehicle);
  for (const group of all(".rows")) {
    const left = all("details.vehicle", group).filter((row) => !row.hidden).length;
    group.previousElementSibling.querySelector(".count").textContent = `(${left})`;
  }
  const others = data.others.filter((one) => fits(one.is, "", choice)); // without a row of their own
  const counted = [...shown].map((name) => data.vehicles[name]).filter(Boolean).concat(others);
  const n = shown.size + others.reduce((before, one) => before + one.n, 0);
  const total = rows.length + data.others.reduce((before, one) => before + one.n, 0);
  let refused = 0, lost = 0;
  const asked = new Array(data.weeks.length).fill(0);
  const counts = Array.from({length: data.rows}, () => new Array(data.weeks.length).fill(0));
  for (const one of counted) {
    one.a.forEach((count, week) => { asked[week] += count; });
    refused += sum(one.r, from, to); lost += sum(one.l, from, to);
    for (const [row, week, count] of one.c) counts[row][week] += count;
  }
  const words = {"%n": whole(n), "%t": whole(total), "%r": whole(refused), "%a": whole(sum(asked, from, to)), "%h": whole(lost / 3600)};
  status.textContent = status.dataset.words.replace(/%[ntrah]/g, (key) => words[key]);
  const narrowed = n < total || from > 0 || to < last;
  const picture = document.querySelector("#picture-weeks");
  if (picture) picture.hidden = narrowed; // it is drawn for all; the table below is counted anew
  if (table) weeks(counts, asked, from, to);
}
function share(cell, count, of) { // as the server writes it
  const percent = of ? 100 * count / of : 0;
  cell.textContent = !count ? "" : of < data.enough ? `${count}/${of}` : percent < 0.5 ? "<1" : Math.round(percent);
  cell.style.setProperty("--s", Math.round(percent) + "%");
}
function weeks(counts, asked, from, to) {
  for (const row of table.rows) [...row.cells].slice(1, -1).forEach((cell, week) => { cell.hidden = week < from || week > to; });
  const every = sum(asked, from, to);
  [...table.tBodies[0].rows].forEach((row, place) => {
    const cells = [...row.cells].slice(1);
    counts[place].forEach((count, week) => share(cells[week], count, asked[week]));
    share(cells.at(-1), sum(counts[place], from, to), every);
  });
  const foot = [...table.tFoot.rows[0].cells].slice(1);
  asked.forEach((count, week) => { foot[week].textContent = count; });
  foot.at(-1).textContent = every;
}
form.addEventListener("input", narrow);
form.addEventListener("submit", (event) => event.preventDefault());
narrow();
})();
