// One version: while scenarios or a replay run, their progress is asked for and put in place.
"use strict";
(() => {
  const progress = document.getElementById("progress");
  const path = `${location.pathname}/work`;
  const running = () => document.getElementById("work").dataset.running === "yes";

  async function look() {
    try {
      const answer = await fetch(path);
      if (!answer.ok) return;
      document.getElementById("work").outerHTML = await answer.text();
    } catch { /* asked again */ }
    if (running()) { setTimeout(look, 500); return; }
    progress.textContent = say("Finished.");
    location.reload(); // what can be done next has changed
  }

  if (running()) { progress.textContent = say("Running."); setTimeout(look, 300); }
})();
