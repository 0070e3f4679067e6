// Tells the others that this specimen is open here, and says who else has it open or has taken it.
"use strict";
(() => {
  const bar = document.getElementById("taken");
  const csrf = document.querySelector(".me input[name=csrf]").value;
  const me = document.querySelector(".me b").textContent;
  const id = bar.dataset.case;
  const path = `/case/${id}/looking`;
  const EVERY = 10000;

  function put(element, text) {
    if (element.textContent !== text) element.textContent = text;
  }

  function others(names) {
    const words = names.filter((name) => name !== me);
    put(bar.querySelector(".looking"),
      words.length ? say("Seen now by %(who)s as well.", { who: words.join(", ") }) : "");
  }

  function claimed(who) {
    if (who === bar.dataset.claim) return;
    bar.dataset.claim = who;
    const line = bar.querySelector("p:not(.due) b") || bar.querySelector("p:not(.due)");
    const told = who === me ? say("You have claimed this specimen meanwhile.")
      : who ? say("%(who)s has claimed this specimen meanwhile.", { who })
        : say("Nobody has claimed it any more.");
    line.textContent = `${told} `;
    const link = document.createElement("a");
    link.href = `/case/${id}`;
    link.textContent = say("Show the present state");
    line.append(link);
  }

  async function here() {
    const body = new URLSearchParams({ csrf, here: "true" });
    await fetch(path, { method: "POST", body }).catch(() => null);
  }

  document.addEventListener("state", (event) => {
    others(event.detail.looking[id] || []);
    claimed(event.detail.claims[id] || "");
  });
  addEventListener("pagehide", () => {
    navigator.sendBeacon(path, new URLSearchParams({ csrf, here: "false" }));
  });
  here(); // the page before, if it was the same one, has just said that it closes
  setInterval(here, EVERY);
})();
