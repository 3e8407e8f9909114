"use strict";
(() => {
const one = (query, root = document) => root.querySelector(query);
const all = (query, root = document) => [...root.querySelectorAll(query)];
const FORM = one("meta[name=form]").content;
const WORDS = JSON.parse(one("#words").textContent);
const LANGUAGE = document.documentElement.lang;
const said_as = (name, values = {}) => WORDS[name].replace(/\{(\w+)\}/g, (_, field) => values[field]);
const TUS = {"Tus-Resumable": "1.0.0", "X-Idlewhy-Form": FORM};
const wait = (ms) => new Promise((done) => setTimeout(done, ms));
for (const hidden of all(".needs-script")) hidden.hidden = false;

function sized(bytes) {
  for (const unit of ["bytes", "kB", "MB", "GB"]) {
    if (bytes < 1000 || unit === "GB") {
      const digits = bytes >= 100 || unit === "bytes" ? 0 : 1;
      const number = bytes.toLocaleString(LANGUAGE, {minimumFractionDigits: digits, maximumFractionDigits: digits});
      return unit === "bytes" ? said_as("size", {number}) : `${number} ${unit}`;
    }
    bytes /= 1000;
  }
}
async function fault(answer) {
  let body = {};
  try { body = await answer.json(); } catch { /* no problem document: the status must do */ }
  const error = new Error([body.detail ?? said_as("status", {status: answer.status}), body.mend].filter(Boolean).join(" "));
  error.status = answer.status;
  return error;
}

// ---- progress of a job: events while they come, else a look now and then
const watched = one("[data-events]");
if (watched) {
  const bar = one("progress", watched), words = one("#progress-words"), title = one("#progress-title");
  const source = new EventSource(watched.dataset.events);
  source.addEventListener("state", (event) => {
    const now = JSON.parse(event.data);
    if (words.textContent !== now.words) words.textContent = now.words;
    title.textContent = said_as(now.state === "queued" ? "queued" : "running");
    if (now.state === "running" && now.stage === "read" && now.total && now.done) { bar.max = now.total; bar.value = now.done; }
    else bar.removeAttribute("value");
  });
  source.addEventListener("over", () => { source.close(); location.reload(); });
  addEventListener("submit", () => source.close());  // what was asked for leads elsewhere: a reload would overtake it
  let failures = 0;
  source.addEventListener("open", () => { failures = 0; });
  source.addEventListener("error", () => {
    if (source.readyState === EventSource.CLOSED || ++failures > 5) { source.close(); setTimeout(() => location.reload(), 5000); }
  });
}

// ---- upload: each log is sent at once, in pieces, and goes on where it broke off
const form = one("#upload");
if (form) {
  const input = one("#logs"), list = one("#files"), said = one("#said"), go = one("#go"), drop = one("#drop");
  const most = Number(form.dataset.most);
  const entries = new Map();
  const AT_ONCE = 2;
  let running = 0;
  input.required = false;
  input.removeAttribute("name");

  const keyOf = (file) => `${file.webkitRelativePath || file.name}|${file.size}|${file.lastModified}`;
  const say = (text) => { said.textContent = text; };

  function add(files) {
    for (const file of files) {
      const key = keyOf(file);
      if (entries.has(key)) continue;
      const entry = {file, key, state: "waiting", id: null};
      entries.set(key, entry);
      show(entry);
      if (file.size > most) fail(entry, `It has ${sized(file.size)}; ${sized(most)} are allowed.`);
      else if (!file.size) fail(entry, said_as("empty"));
    }
    input.value = "";
    say("");
    next();
  }
  function show(entry) {
    const item = document.createElement("li");
    const name = document.createElement("span"), about = document.createElement("p");
    const bar = document.createElement("progress"), remove = document.createElement("button");
    name.className = "name";
    name.textContent = entry.file.name;
    about.className = "about";
    about.textContent = said_as("waiting", {size: sized(entry.file.size)});
    bar.max = entry.file.size || 1;
    bar.value = 0;
    bar.setAttribute("aria-label", said_as("upload_of", {name: entry.file.name}));
    remove.type = "button";
    remove.textContent = said_as("remove");
    remove.setAttribute("aria-label", said_as("remove_it", {name: entry.file.name}));
    remove.addEventListener("click", () => drops(entry));
    item.append(name, about, remove, bar);
    list.append(item);
    Object.assign(entry, {item, about, bar});
  }
  function drops(entry) {
    entries.delete(entry.key);
    entry.item.remove();
    entry.state = "removed";
    entry.stop?.abort();
    forget(entry);
    if (entry.id) fetch(`/api/v1/uploads/${entry.id}`, {method: "DELETE", headers: TUS}).catch(() => {});
    input.focus();
  }
  function fail(entry, text) {
    entry.state = "failed";
    entry.about.textContent = text;
    entry.about.classList.add("wrong");
    entry.bar.hidden = true;
    say(`${entry.file.name}: ${text}`);
  }
  function next() {
    for (const entry of entries.values()) {
      if (running >= AT_ONCE) return;
      if (entry.state !== "waiting") continue;
      running += 1;
      entry.state = "sending";
      send(entry).catch((error) => { if (entry.state !== "removed") fail(entry, error.message); })
        .finally(() => { running -= 1; next(); finished(); });
    }
  }

  // An address is remembered, so that the same file goes on after the page was closed.
  const remembered = (entry) => { try { return localStorage.getItem(`upload ${entry.key}`); } catch { return null; } };
  const remember = (entry) => { try { localStorage.setItem(`upload ${entry.key}`, entry.id); } catch { /* no storage */ } };
  const forget = (entry) => { try { localStorage.removeItem(`upload ${entry.key}`); } catch { /* no storage */ } };

  async function begin(entry) {
    const before = remembered(entry);
    if (before && /^[0-9a-f]{24}$/.test(before)) {
      const answer = await fetch(`/api/v1/uploads/${before}`, {method: "HEAD", headers: TUS});
      if (answer.ok && Number(answer.headers.get("Upload-Length")) === entry.file.size) {
        entry.id = before;
        return Number(answer.headers.get("Upload-Offset"));
      }
    }
    const name = btoa(String.fromCharCode(...new TextEncoder().encode(entry.file.name)));
    const headers = {...TUS, "Upload-Length": String(entry.file.size), "Upload-Metadata": `filename ${name}`};
    const answer = await fetch("/api/v1/uploads", {method: "POST", headers});
    if (!answer.ok) throw await fault(answer);
    entry.id = answer.headers.get("Location").split("/").pop();
    remember(entry);
    return 0;
  }
  async function send(entry) {
    const size = entry.file.size;
    let offset = await patiently(entry, () => begin(entry));
    let piece = 1 << 20, looking = false;
    while (offset < size && entry.state === "sending") {
      const began = performance.now();
      offset = await patiently(entry, async (again) => {
        if (again) {
          const answer = await fetch(`/api/v1/uploads/${entry.id}`, {method: "HEAD", headers: TUS});
          if (!answer.ok) throw await fault(answer);
          const there = Number(answer.headers.get("Upload-Offset"));
          if (there !== offset) return there;
        }
        entry.stop = new AbortController();
        const answer = await fetch(`/api/v1/uploads/${entry.id}`, {
          method: "PATCH", signal: entry.stop.signal, body: entry.file.slice(offset, offset + piece),
          headers: {...TUS, "Upload-Offset": String(offset), "Content-Type": "application/offset+octet-stream"},
        });
        if (!answer.ok) throw await fault(answer);
        return Number(answer.headers.get("Upload-Offset"));
      });
      const took = performance.now() - began;
      if (took < 700) piece = Math.min(piece * 2, 16 << 20);
      else if (took > 4000) piece = Math.max(piece / 2, 256 << 10);
      entry.bar.value = offset;
      if (!entry.seen) entry.about.textContent = said_as("sent_so_far", {done: sized(offset), total: sized(size)});
      if (offset > 4 << 20 && offset < size && !looking) { looking = true; look(entry, 8); }
    }
    if (entry.state !== "sending") return;
    entry.state = "sent";
    entry.bar.value = size;
    forget(entry);
    if (!entry.seen) entry.about.textContent = said_as("sent", {size: sized(size)});
    look(entry, 40);
  }
  // A lost connection or a busy server is waited out; a refusal is not.
  async function patiently(entry, act) {
    for (let turn = 0; ; turn += 1) {
      try { return await act(turn > 0); } catch (error) {
        if (entry.state === "removed") throw error;
        const lasting = error.status && ![409, 423, 429, 500, 502, 503, 504].includes(error.status);
        if (lasting || turn >= 40) throw error;
        entry.about.textContent = said_as("cut");
        await wait(Math.min(500 * 2 ** turn, 15000));
      }
    }
  }
  async function look(entry, turns) {
    for (let turn = 0; turn < turns && entries.has(entry.key); turn += 1) {
      await wait(turn < 6 ? 300 : 1500);
      const answer = await fetch(`/api/v1/uploads/${entry.id}`).catch(() => null);
      if (!answer?.ok) continue;
      const found = await answer.json();
      if (found.state === "complete" && found.look && (found.look.end || found.look.fault || found.look.frames)) turns = turn;
      if (!found.look) continue;
      const seen = found.look, time = (text) => text.slice(0, 16).replace("T", " ");
      if (seen.fault) { entry.about.textContent = `${sized(entry.file.size)}. ${seen.fault}`; entry.about.classList.add("wrong"); return; }
      entry.seen = true;
      const span = !seen.start ? said_as("undated") : seen.end ? said_as("span", {start: time(seen.start), end: time(seen.end)}) : `${time(seen.start)} UTC`;
      entry.about.textContent = [sized(entry.file.size), seen.format, span, found.known ? said_as("known") : ""]
        .filter(Boolean).join(" · ");
    }
  }

  // ---- the recording, once every log has arrived
  let asked = false;
  function finished() {
    if (!asked) return;
    const states = [...entries.values()].map((entry) => entry.state);
    if (states.some((state) => state === "waiting" || state === "sending")) return;
    if (states.includes("failed")) {
      asked = false;
      go.disabled = false;
      say(said_as("failed"));
      return;
    }
    make();
  }
  async function make() {
    say(said_as("arrived"));
    const body = JSON.stringify({
      vehicle: one("#vehicle").value.trim(), platform: one("#platform").value, language: one("#language").value,
      uploads: [...entries.values()].map((entry) => entry.id),
    });
    for (let turn = 0; ; turn += 1) {
      try {
        const answer = await fetch("/api/v1/recordings", {
          method: "POST", body, headers: {"Content-Type": "application/json", "X-Idlewhy-Form": FORM},
        });
        if (answer.ok) { location.href = `/recordings/${(await answer.json()).id}`; return; }
        const error = await fault(answer);
        if (answer.status !== 503 || turn >= 30) throw error;
        say(`${error.message} ${said_as("again")}`);
        await wait(10000);
      } catch (error) {
        if (!error.status && turn < 5) { await wait(2000); continue; }
        asked = false;
        go.disabled = false;
        say(error.message);
        return;
      }
    }
  }
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    if (!entries.size) { say(said_as("none")); input.focus(); return; }
    asked = true;
    go.disabled = true;
    say(said_as("wait"));
    finished();
  });
  input.addEventListener("change", () => add(input.files));

  const folder = document.createElement("input");
  folder.type = "file";
  folder.webkitdirectory = true;
  folder.hidden = true;
  folder.addEventListener("change", () => { add(folder.files); folder.value = ""; });
  one("#folder").after(folder);
  one("#folder").addEventListener("click", () => folder.click());

  async function inside(item) {
    if (item.isFile) return [await new Promise((done, failed) => item.file(done, failed))];
    const reader = item.createReader(), found = [];
    for (;;) {
      const some = await new Promise((done, failed) => reader.readEntries(done, failed));
      if (!some.length) break;
      for (const each of some) found.push(...await inside(each));
    }
    return found;
  }
  for (const name of ["dragenter", "dragover"]) document.addEventListener(name, (event) => { event.preventDefault(); drop.classList.add("over"); });
  for (const name of ["dragleave", "drop"]) document.addEventListener(name, () => drop.classList.remove("over"));
  document.addEventListener("drop", async (event) => {
    event.preventDefault();
    const items = [...event.dataTransfer.items].map((item) => item.webkitGetAsEntry?.()).filter(Boolean);
    if (!items.length) { add(event.dataTransfer.files); return; }
    for (const item of items) add(await inside(item));
  });
}
})();
