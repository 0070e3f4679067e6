// Counters and notices on every page, kept current by the stream. Nothing under the hand is moved:
// pages that list rows decide for themselves what to do with a new state.
"use strict";
(() => {
  const offset = new Date(document.body.dataset.now).getTime() - Date.now();

  function age(since) {
    const minutes = Math.max(0, Math.floor((Date.now() + offset - new Date(since)) / 60000));
    if (minutes < 60) return `${minutes} min`;
    const hours = Math.floor(minutes / 60);
    if (hours < 24) return `${hours} h ${String(minutes % 60).padStart(2, "0")} min`;
    return `${Math.floor(hours / 24)} d ${hours % 24} h`;
  }

  function tick() {
    for (const place of document.querySelectorAll("[data-since]")) {
      place.textContent = age(place.dataset.since);
    }
  }

  function count(state) {
    for (const place of document.querySelectorAll("[data-count]")) {
      const number = state[place.dataset.count];
      place.textContent = number;
      const box = place.closest("[data-box]") || place;
      box.classList.toggle("none", number === 0);
    }
  }

  function suspended(stops) {
    const band = document.getElementById("suspended");
    band.hidden = stops.length === 0;
    band.querySelector("ul").replaceChildren(...stops.map((stop) => {
      const line = document.createElement("li");
      line.textContent = say("for %(scope)s by %(who)s: %(text)s", stop);
      return line;
    }));
  }

  function show(id, text) {
    const place = document.getElementById(id);
    if (place.textContent === text) return;
    place.textContent = text;
    place.hidden = text === "";
  }

  // What scrolls sideways can be reached and scrolled with the keyboard, and only then.
  const scrollers = new ResizeObserver((entries) => {
    for (const { target } of entries) {
      if (target.scrollWidth > target.clientWidth) target.tabIndex = 0;
      else target.removeAttribute("tabindex");
    }
  });
  for (const place of document.querySelectorAll(".wide, figure.sheet")) scrollers.observe(place);

  // A dead connection is noticed by its silence, too: a cable that was pulled tells nobody.
  const SILENCE = 40000;
  const AGAIN = 3000;
  const clock = (at) => at.toTimeString().slice(0, 5);
  let stream = null;
  let lost = null;
  let heard = Date.now();
  let over = false;

  function well() {
    heard = Date.now();
    if (!lost) return;
    lost = null;
    show("connection", "");
  }

  function broken() {
    lost = lost || new Date();
    show("connection", say("Connection lost since %(at)s: what you see may be old. Trying again.", { at: clock(lost) }));
  }

  function end(text) {
    over = true;
    if (stream) stream.close();
    show("connection", text);
  }

  function listen() {
    if (over) return;
    if (stream) stream.close();
    heard = Date.now();
    stream = new EventSource("/events");
    stream.addEventListener("beat", well);
    stream.addEventListener("signed-out", () => end(say("You are signed out. Load the page again to sign in.")));
    stream.onmessage = (event) => {
      well();
      const state = JSON.parse(event.data);
      count(state);
      suspended(state.suspended);
      show("alarm", state.alarm);
      show("overdue", state.overdue);
      document.dispatchEvent(new CustomEvent("state", { detail: state }));
    };
    stream.onerror = () => {
      broken();
      if (stream.readyState === EventSource.CLOSED) setTimeout(ask, AGAIN);
    };
  }

  // The browser gives up after an answer that is no stream; only a refused session is the end.
  async function ask() {
    const signal = AbortSignal.timeout(AGAIN * 3);
    const answer = await fetch("/queue/state", { signal }).catch(() => null);
    if (answer && answer.status === 401) {
      end(say("You are signed out. Load the page again to sign in."));
    } else if (answer && answer.ok) listen();
    else setTimeout(ask, AGAIN);
  }

  setInterval(() => {
    if (over || Date.now() - heard < SILENCE) return;
    broken();
    listen();
  }, 5000);
  listen();
  addEventListener("pagehide", () => { over = true; stream.close(); });
  addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
  setInterval(tick, 20000);
})();
