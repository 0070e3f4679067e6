// The work list. What arrives, changes or goes is announced and marked in place; rows move only
// when asked to. Arrow keys, finding, claiming.
"use strict";
(() => {
  const list = document.getElementById("queue");
  const changes = document.getElementById("changes");
  const show = document.getElementById("show");
  const find = document.getElementById("find");
  const nothing = document.getElementById("nothing");
  const said = document.getElementById("said");
  const me = list.dataset.me;
  const title = document.title;
  const rows = () => [...list.querySelectorAll(".specimen")];
  const links = () => rows().filter((row) => !row.hidden).map((row) => row.querySelector(".open"));
  const current = () => document.activeElement.closest(".specimen");
  let asking = false;
  let again = false;

  // One question at a time; what changed meanwhile is asked for right after.
  async function look() {
    if (asking) {
      again = true;
      return;
    }
    asking = true;
    const answer = await fetch(list.dataset.state, { headers: { Accept: "application/json" } })
      .catch(() => null);
    if (answer && answer.ok) compare(await answer.json());
    asking = false;
    if (again) {
      again = false;
      look();
    }
  }

  function compare(state) {
    const order = state.rows.map(([id]) => id);
    const versions = new Map(state.rows);
    const known = rows();
    let changed = 0;
    let gone = 0;
    for (const row of known) {
      const version = versions.get(row.dataset.case);
      const left = version === undefined;
      const other = !left && String(version) !== row.dataset.version;
      gone += left;
      changed += other;
      mark(row, left, other);
      people(row, state.claims[row.dataset.case], state.looking[row.dataset.case] || []);
    }
    const shown = new Set(known.map((row) => row.dataset.case));
    const fresh = order.filter((id) => !shown.has(id));
    const above = fresh.filter((id) => order.indexOf(id) < place(order)).length;
    announce(above, fresh.length - above, changed, gone);
    if (known.length === 0 && fresh.length > 0) renew();
  }

  // Where the reader is: the row in focus, else the first one in sight.
  function place(order) {
    const seen = rows().filter((row) => order.includes(row.dataset.case));
    const at = current() || seen.find((row) => row.getBoundingClientRect().bottom > 60);
    const found = at ? order.indexOf(at.dataset.case) : -1;
    return found < 0 ? order.length : found;
  }

  function mark(row, left, other) {
    row.classList.toggle("left", left);
    row.classList.toggle("other", other);
    const words = row.querySelector(".gone");
    const text = left ? say("settled, or not in this list any more")
      : other ? say("changed meanwhile") : "";
    if (words.textContent !== text) words.textContent = text;
    words.hidden = text === "";
    const pick = row.querySelector(".pick input");
    if (pick && (left || other)) {
      pick.checked = false;
      pick.disabled = true;
      pick.dispatchEvent(new Event("change", { bubbles: true }));
    }
  }

  function people(row, claim, looking) {
    const mine = claim && claim.who === me;
    const at = claim && claim.since;
    put(row.querySelector(".claimed"), mine ? say("yours, since %(at)s", { at })
      : claim ? say("%(who)s has it, since %(at)s", { who: claim.who, at }) : "");
    put(row.querySelector(".looking"),
      looking.length ? say("seen now by %(who)s", { who: looking.join(", ") }) : "");
    const form = row.querySelector(".claim");
    if (!form) return;
    const button = form.querySelector("button");
    form.classList.toggle("away", Boolean(claim) && !mine);
    button.value = mine ? "give back" : "claim";
    put(button, mine ? say("Give back") : say("Claim"));
    const specimen = row.querySelector(".tube span").textContent;
    button.ariaLabel = mine ? say("Give back %(specimen)s", { specimen }) : say("Claim %(specimen)s", { specimen });
  }

  function put(element, text) {
    if (element.textContent !== text) element.textContent = text;
  }

  function announce(above, below, changed, gone) {
    const words = [
      above && say("%(count)s new above", { count: above }),
      below && say("%(count)s new below", { count: below }),
      changed && say("%(count)s changed", { count: changed }),
      gone && say("%(count)s gone", { count: gone }),
    ].filter(Boolean);
    put(changes, words.join(" · "));
    show.hidden = words.length === 0;
  }

  async function renew() {
    const answer = await fetch(list.dataset.rows, { headers: { Accept: "text/html" } })
      .catch(() => null);
    if (!answer) return;
    if (!answer.ok || answer.redirected) {
      location.reload();
      return;
    }
    const row = current();
    const id = row && row.dataset.case;
    const from = row ? row.getBoundingClientRect().top : 0;
    const picked = new Set([...list.querySelectorAll(".pick input:checked")].map((box) => box.value));
    list.innerHTML = await answer.text();
    for (const box of list.querySelectorAll(".pick input")) box.checked = picked.has(box.value);
    announce(0, 0, 0, 0);
    filter();
    due();
    document.dispatchEvent(new Event("rows"));
    const same = id && list.querySelector(`[data-case="${id}"]`);
    if (same) {
      same.querySelector(".open").focus({ preventScroll: true });
      scrollBy(0, same.getBoundingClientRect().top - from); // the row stays under the eye
    } else if (document.activeElement === document.body || document.activeElement === show) {
      (links()[0] || list).focus({ preventScroll: true });
    }
  }

  function due() {
    const now = Date.now() + offset;
    for (const place of list.querySelectorAll("[data-due]")) {
      const end = new Date(place.dataset.due).getTime();
      const missed = now >= end;
      const soon = !missed && now >= new Date(place.dataset.soon).getTime();
      place.classList.toggle("missed", missed);
      place.classList.toggle("soon", soon);
      const span = duration(Math.abs(end - now));
      put(place.querySelector("span"), missed ? say("missed by %(span)s", { span })
        : soon ? say("about to miss: %(span)s left", { span }) : say("%(span)s left", { span }));
    }
  }

  const offset = new Date(document.body.dataset.now).getTime() - Date.now();

  function duration(span) {
    const minutes = Math.floor(span / 60000);
    if (minutes < 60) return `${minutes} min`;
    const hours = Math.floor(minutes / 60);
    if (hours < 24) return `${hours} h ${String(minutes % 60).padStart(2, "0")} min`;
    return `${Math.floor(hours / 24)} d ${hours % 24} h`;
  }

  function filter() {
    const wanted = find.value.trim().toLowerCase();
    for (const row of rows()) row.hidden = !row.textContent.toLowerCase().includes(wanted);
    nothing.hidden = !wanted || links().length > 0;
  }

  function move(step) {
    const all = links();
    const row = current();
    const at = row ? all.indexOf(row.querySelector(".open")) : -1;
    const next = all[at < 0 ? 0 : Math.min(all.length - 1, Math.max(0, at + step))];
    if (next) next.focus();
  }

  async function take(form, button) {
    const body = new FormData(form);
    body.set("act", button.value);
    const headers = { Accept: "application/json" };
    const answer = await fetch(form.action, { method: "POST", headers, body: new URLSearchParams(body) })
      .catch(() => null);
    const told = answer && answer.status === 409 ? (await answer.json()).refused : "";
    put(said, told || (answer && answer.ok ? "" : say("Nothing was done: the page could not reach the service.")));
    said.hidden = said.textContent === "";
    look();
  }

  const keys = {
    ArrowDown: () => move(1),
    ArrowUp: () => move(-1),
    "/": () => find.focus(),
    n: () => { if (!show.hidden) renew(); },
    c: () => {
      const form = current() && current().querySelector(".claim:not(.away)");
      if (form) take(form, form.querySelector("button"));
    },
    x: () => {
      const box = current() && current().querySelector(".pick input:not(:disabled)");
      if (box) box.click();
    },
  };

  document.addEventListener("state", (event) => {
    document.title = `${event.detail.held} · ${title}`;
    look();
  });
  show.addEventListener("click", renew);
  find.addEventListener("input", filter);
  list.addEventListener("submit", (event) => {
    if (!event.target.matches(".claim")) return;
    event.preventDefault();
    take(event.target, event.submitter);
  });
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.target.matches("input:not([type=checkbox]), select, textarea")) {
      if (event.target === find && event.key === "Escape") {
        find.value = "";
        filter();
      }
      if (event.target !== find || !event.key.startsWith("Arrow")) return;
    }
    if (!Object.hasOwn(keys, event.key)) return;
    event.preventDefault();
    keys[event.key]();
  });
  due();
  setInterval(due, 10000);
})();
