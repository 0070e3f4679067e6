// One specimen: the button says what will be signed; a change elsewhere is announced, not applied.
"use strict";
(() => {
  const subject = document.querySelector(".subject");
  const stale = document.getElementById("stale");
  const form = document.getElementById("sign");

  function compare(state) {
    const version = state.rows[subject.dataset.case];
    const was = subject.dataset.held !== "0";
    if (version === undefined ? !was : String(version) === subject.dataset.version) return;
    stale.querySelector("span").textContent = version === undefined
      ? "Nothing of this specimen is held any more: somebody settled it."
      : "This specimen has changed since you opened it.";
    stale.hidden = false;
  }

  function name() {
    const action = form.elements.action.value;
    const chosen = [...document.querySelectorAll("input[name=places]:checked")];
    const all = [...document.querySelectorAll("input[name=places]")];
    const what = `${chosen.length} of ${all.length}`;
    const words = {
      release: `Sign: release ${what}`,
      reject: `Sign: reject ${what}`,
      new: "Sign: ask for new",
    };
    const go = document.getElementById("go");
    go.textContent = words[action] || "Sign";
    go.disabled = action !== "new" && chosen.length === 0;
    form.elements.comment.required = action === "reject" || action === "new";
  }

  if (subject) document.addEventListener("state", (event) => compare(event.detail));
  if (form) {
    document.addEventListener("change", name);
    form.addEventListener("submit", () => { document.getElementById("go").disabled = true; });
    addEventListener("pageshow", name);
    name();
  }
})();
