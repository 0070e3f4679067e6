// The values of a drawing are one stop of the tab key; arrow keys go from one to the next.
"use strict";
(() => {
  const moves = { ArrowLeft: -1, ArrowUp: -1, ArrowRight: 1, ArrowDown: 1, Home: -Infinity, End: Infinity };

  function step(dots, event) {
    const move = moves[event.key];
    const at = dots.indexOf(event.target.closest(".dot"));
    if (move === undefined || at < 0) return;
    event.preventDefault();
    const next = dots[Math.min(dots.length - 1, Math.max(0, at + move))];
    for (const dot of dots) dot.setAttribute("tabindex", dot === next ? "0" : "-1");
    next.focus();
  }

  for (const chart of document.querySelectorAll("svg.chart")) {
    const dots = [...chart.querySelectorAll(".dot")];
    const first = chart.querySelector(".dot.now") || dots[dots.length - 1];
    for (const dot of dots) dot.setAttribute("tabindex", dot === first ? "0" : "-1");
    chart.addEventListener("keydown", (event) => step(dots, event));
  }
})();
