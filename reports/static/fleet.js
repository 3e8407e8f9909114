"use strict";
(() => {
const all = (query, root = document) => [...root.querySelectorAll(query)];
const form = document.querySelector(".filters"), table = document.querySelector("#week-table");
const data = JSON.parse(document.querySelector("#fleet-data").textContent);
const rows = all("details.vehicle"), smalls = all(".small-figure[data-vehicle]"), status = document.querySelector("#shown");
const whole = (value) => value.toLocaleString(document.documentElement.lang, {maximumFractionDigits: value < 10 ? 1 : 0});
const names = rows.map((row) => row.dataset.vehicle);

// ---- which vehicles fit the choices; then everything that can be counted anew is counted anew
function fits(row, choice) {
  for (const key of ["platform", "battery", "depot"]) if (choice[key] && row.dataset[key] !== choice[key]) return false;
  return !choice.name || row.dataset.vehicle.toLowerCase().includes(choice.name.toLowerCase());
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
    row.hidden = !fits(row, choice);
    if (!row.hidden) shown.add(names[place]);
  });
  for (const small of smalls) small.hidden = !shown.has(small.dataset.vehicle);
  for (const group of all(".rows")) {
    const left = all("details.vehicle", group).filter((row) => !row.hidden).length;
    group.previousElementSibling.querySelector(".count").textContent = `(${left})`;
  }
  let asked = 0, refused = 0, lost = 0;
  const counts = Array.from({length: data.reasons}, () => new Array(data.weeks.length).fill(0));
  for (const name of shown) {
    const one = data.vehicles[name];
    if (!one) continue;
    asked += sum(one.a, from, to); refused += sum(one.r, from, to); lost += sum(one.l, from, to);
    for (const [reason, week, count] of one.c) counts[reason][week] += count;
  }
  const words = {"%n": whole(shown.size), "%t": whole(rows.length), "%r": whole(refused), "%a": whole(asked), "%h": whole(lost / 3600)};
  status.textContent = status.dataset.words.replace(/%[ntrah]/g, (key) => words[key]);
  const narrowed = shown.size < rows.length || from > 0 || to < last;
  const picture = document.querySelector("#picture-weeks");
  if (picture) picture.hidden = narrowed; // it is drawn for all; the table below is counted anew
  if (table) weeks(counts, from, to);
}
function weeks(counts, from, to) {
  const most = Math.max(1, ...counts.map((row) => Math.max(...row.slice(from, to + 1))));
  const heads = [...table.tHead.rows[0].cells];
  heads.slice(1, -1).forEach((cell, week) => { cell.hidden = week < from || week > to; });
  [...table.tBodies[0].rows].forEach((row, reason) => {
    const cells = [...row.cells];
    cells.slice(1, -1).forEach((cell, week) => {
      const count = counts[reason][week];
      cell.hidden = week < from || week > to;
      cell.textContent = count || "";
      cell.style.setProperty("--s", Math.round(100 * count / most) + "%");
    });
    cells.at(-1).textContent = sum(counts[reason], from, to);
  });
}
form.addEventListener("input", narrow);
form.addEventListener("submit", (event) => event.preventDefault());
narrow();
})();
