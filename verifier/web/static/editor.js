// The editor of a draft: asks the server's checker while somebody writes, marks lines, jumps to them.
// Without this script the same form saves and checks.
"use strict";
(() => {
  const form = document.getElementById("editor");
  const text = document.getElementById("text");
  const gutter = form.querySelector(".gutter");
  const status = document.getElementById("status");
  const file = form.elements.file.value;
  const PAUSE = 180; // milliseconds without a key
  let saved = text.value, timer = 0, asked = null, at = -1, shown = -1;

  const findings = () => [...document.querySelectorAll("#found li")];
  const own = () => findings().filter((item) => item.dataset.file === file);

  // --- lines and marks ---

  function marks() {
    const worst = new Map();
    for (const item of own().reverse()) {
      const line = Number(item.dataset.line);
      if (worst.get(line) !== "error") worst.set(line, item.dataset.severity);
    }
    const signs = { error: "✕", warning: "△", note: "·" };
    const count = text.value.split("\n").length;
    const rows = [];
    for (let line = 1; line <= count; line += 1) {
      const row = document.createElement("span");
      const severity = worst.get(line);
      if (severity) row.className = `m-${severity}`;
      row.textContent = `${severity ? signs[severity] : ""} ${line}`;
      rows.push(row);
    }
    gutter.replaceChildren(...rows);
    shown = count;
    follow();
  }

  function follow() { gutter.scrollTop = text.scrollTop; }

  function offset(line) {
    let from = 0;
    for (let n = 1; n < line; n += 1) from = text.value.indexOf("\n", from) + 1;
    return from;
  }

  function show(line, column, end) {
    const from = offset(line);
    text.focus();
    text.setSelectionRange(from + column - 1, from + end - 1);
    const height = text.scrollHeight / text.value.split("\n").length;
    text.scrollTop = Math.max(0, (line - 1) * height - text.clientHeight / 3);
    text.scrollLeft = 0;
    follow();
  }

  function jump(item) {
    const { line, column, end } = item.dataset;
    show(Number(line), Number(column), Number(end));
    at = findings().indexOf(item);
    for (const each of findings()) each.toggleAttribute("aria-current", each === item);
    item.scrollIntoView({ block: "nearest" });
    status.textContent = say("Line %(line)s: %(said)s", { line, said: item.querySelector("p").textContent });
  }

  function go(item) {
    if (item.dataset.file === file) jump(item);
    else item.querySelector(".go").focus();
  }

  function step(by) {
    const all = findings();
    if (all.length === 0) { status.textContent = say("Nothing was found."); return; }
    at = at < 0 ? (by > 0 ? 0 : all.length - 1) : (at + by + all.length) % all.length;
    go(all[at]);
  }

  // --- asking the server ---

  function take(page) {
    const before = document.getElementById("found");
    before.outerHTML = page;
    at = -1;
    marks();
    status.textContent = document.querySelector("#found .verdict").textContent.replace(/\s+/g, " ");
  }

  async function check() {
    if (asked) asked.abort();
    asked = new AbortController();
    try {
      const body = new URLSearchParams(new FormData(form));
      const answer = await fetch(form.dataset.check, { method: "POST", body, signal: asked.signal });
      if (answer.status === 204) return; // something newer was asked
      if (answer.ok) take(await answer.text());
      else status.textContent = say("The server did not check this; load the page again.");
    } catch (error) {
      if (error.name !== "AbortError") status.textContent = say("No connection: not checked.");
    }
  }

  function changed() {
    document.getElementById("unsaved").hidden = text.value === saved;
    if (text.value.split("\n").length !== shown) marks();
    clearTimeout(timer);
    timer = setTimeout(check, PAUSE);
  }

  text.addEventListener("input", changed);
  text.addEventListener("scroll", follow);
  document.addEventListener("click", (event) => {
    const link = event.target.closest("#found .go");
    const item = link && link.closest("li");
    if (item && item.dataset.file === file) { event.preventDefault(); jump(item); }
  });
  document.addEventListener("keydown", (event) => {
    if (event.altKey && event.code === "KeyJ") { event.preventDefault(); step(event.shiftKey ? -1 : 1); }
    if ((event.ctrlKey || event.metaKey) && event.key === "s") { event.preventDefault(); form.requestSubmit(); }
  });
  form.addEventListener("submit", () => { saved = text.value; });
  addEventListener("beforeunload", (event) => { if (text.value !== saved) event.preventDefault(); });

  document.getElementById("keys").hidden = false;
  if (innerWidth < 1240) document.querySelector(".files details").open = false;
  form.classList.add("live");
  marks();
  const wanted = form.dataset.line;
  const first = own().find((item) => item.dataset.line === wanted);
  const line = text.value.split("\n")[wanted - 1];
  if (first) jump(first);
  else if (wanted && line !== undefined) show(Number(wanted), 1, line.length + 1);
})();
