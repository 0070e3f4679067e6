// Choosing like specimens for one signature: the first box decides which others fit.
"use strict";
(() => {
  const bar = document.getElementById("batch");
  if (!bar) return;
  const picked = document.getElementById("picked");
  const alike = document.getElementById("alike");
  const more = document.getElementById("more-alike");
  const none = document.getElementById("unpick");
  const idle = alike.textContent;
  const boxes = () => [...document.querySelectorAll(".pick input")];
  const row = (box) => box.closest(".specimen");
  const usable = (box) => !row(box).matches(".left, .other");

  function tell() {
    const all = boxes();
    const chosen = all.filter((box) => box.checked);
    const like = chosen.length ? row(chosen[0]).dataset.like : "";
    const fit = all.filter((box) => usable(box) && row(box).dataset.like === like);
    for (const box of all) {
      box.disabled = !usable(box) || (like !== "" && row(box).dataset.like !== like);
    }
    picked.textContent = chosen.length
      ? say("Batch of %(count)s:", { count: chosen.length }) : say("Batch:");
    alike.textContent = chosen.length
      ? say("Held on this page for these very reasons: %(count)s.", { count: fit.length }) : idle;
    more.hidden = fit.length <= chosen.length || !chosen.length;
    more.textContent = say("Choose all %(count)s", { count: fit.length });
    none.hidden = chosen.length === 0;
    bar.querySelector("button:not([type])").disabled = chosen.length === 0;
  }

  more.addEventListener("click", () => {
    const first = boxes().find((box) => box.checked);
    const like = first && row(first).dataset.like;
    for (const box of boxes()) box.checked = usable(box) && row(box).dataset.like === like;
    tell();
    bar.querySelector("button:not([type])").focus();
  });
  none.addEventListener("click", () => {
    for (const box of boxes()) box.checked = false;
    tell();
  });
  document.addEventListener("change", (event) => { if (event.target.matches(".pick input")) tell(); });
  document.addEventListener("rows", tell);
  addEventListener("pageshow", tell);
  tell();
})();
