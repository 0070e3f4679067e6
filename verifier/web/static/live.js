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

  const connection = (text) => show("connection", text);

  const stream = new EventSource("/events");
  stream.onopen = () => connection("");
  stream.onmessage = (event) => {
    const state = JSON.parse(event.data);
    count(state);
    suspended(state.suspended);
    show("alarm", state.alarm);
    document.dispatchEvent(new CustomEvent("state", { detail: state }));
  };
  stream.onerror = () => connection(
    stream.readyState === EventSource.CLOSED
      ? say("This page is no longer kept current. Load it again; you may have to sign in.")
      : say("Connection lost; the numbers may be old. Trying again."));
  stream.addEventListener("signed-out", () => {
    stream.close();
    connection(say("You are signed out. Load the page again to sign in."));
  });
  addEventListener("pagehide", () => stream.close());
  addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
  setInterval(tick, 20000);
})();
