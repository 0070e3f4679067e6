// The work list: says how many rows changed and shows them when asked; arrow keys; finding.
"use strict";
(() => {
  const list = document.getElementById("queue");
  const changes = document.getElementById("changes");
  const show = document.getElementById("show");
  const find = document.getElementById("find");
  const nothing = document.getElementById("nothing");
  const title = document.title;
  const rows = () => [...list.querySelectorAll(".specimen")];
  const links = () => rows().filter((row) => !row.hidden).map((row) => row.querySelector(".open"));

  function compare(state) {
    document.title = `${state.held} · ${title}`;
    const left = new Map(Object.entries(state.rows));
    const known = rows();
    let changed = 0;
    let settled = 0;
    for (const row of known) {
      const version = left.get(row.dataset.case);
      left.delete(row.dataset.case);
      const gone = version === undefined;
      row.classList.toggle("left", gone);
      row.querySelector(".gone").hidden = !gone;
      settled += gone;
      changed += !gone && String(version) !== row.dataset.version;
    }
    announce(left.size, changed, settled);
    if (known.length === 0 && left.size > 0) renew();
  }

  function announce(fresh, changed, settled) {
    const parts = [[fresh, "new"], [changed, "changed"], [settled, "settled"]];
    const words = parts.filter(([number]) => number).map(([number, word]) => `${number} ${word}`);
    changes.textContent = words.join(", ");
    show.hidden = words.length === 0;
  }

  async function renew() {
    const answer = await fetch("/queue/rows", { headers: { Accept: "text/html" } });
    if (!answer.ok || answer.redirected) {
      location.reload();
      return;
    }
    const row = document.activeElement.closest(".specimen");
    const held = document.activeElement === show ? null : row && row.dataset.case;
    const top = scrollY;
    list.innerHTML = await answer.text();
    announce(0, 0, 0);
    filter();
    scrollTo(0, top);
    const again = held && list.querySelector(`[data-case="${held}"] .open`);
    if (again) again.focus({ preventScroll: true });
    else if (document.activeElement === document.body) (links()[0] || list).focus({ preventScroll: true });
  }

  function filter() {
    const wanted = find.value.trim().toLowerCase();
    for (const row of rows()) row.hidden = !row.textContent.toLowerCase().includes(wanted);
    nothing.hidden = !wanted || links().length > 0;
  }

  function move(step) {
    const all = links();
    const at = all.indexOf(document.activeElement);
    const next = all[at < 0 ? 0 : Math.min(all.length - 1, Math.max(0, at + step))];
    if (next) next.focus();
  }

  document.addEventListener("state", (event) => compare(event.detail));
  show.addEventListener("click", renew);
  find.addEventListener("input", filter);
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const typing = event.target.matches("input, select, textarea");
    if (event.key === "ArrowDown" || event.key === "ArrowUp") {
      event.preventDefault();
      move(event.key === "ArrowDown" ? 1 : -1);
    } else if (typing && event.key === "Escape") {
      find.value = "";
      filter();
    } else if (!typing && event.key === "/") {
      event.preventDefault();
      find.focus();
    } else if (!typing && event.key === "n" && !show.hidden) {
      renew();
    }
  });
})();
