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
      ? say("Nothing of this specimen is held any more: somebody settled it.")
      : say("This specimen has changed since you opened it.");
    stale.hidden = false;
  }

  const listed = (name) => form.dataset[name].split(" ").filter(Boolean);

  function name() {
    const action = form.elements.action.value;
    const chosen = [...document.querySelectorAll("input[name=places]:checked")];
    const all = [...document.querySelectorAll("input[name=places]")];
    const what = { part: chosen.length, all: all.length };
    const words = {
      release: say("Sign: release %(part)s of %(all)s", what),
      suppress: say("Sign: suppress %(part)s of %(all)s", what),
      reject: say("Sign: reject %(part)s of %(all)s", what),
      rerun: say("Sign: ask for rerun of %(part)s", what),
      dilution: say("Sign: ask for dilution of %(part)s", what),
      new: say("Sign: ask for new"),
    };
    const go = document.getElementById("go");
    go.textContent = words[action] || say("Sign");
    go.disabled = action !== "new" && chosen.length === 0;
    const coded = form.querySelector("input[name=codes]:checked");
    form.elements.comment.required = action === "new" || (/reject|suppress/.test(action) && !coded);
    const places = chosen.map((box) => box.value);
    const among = (name) => places.some((place) => listed(name).includes(place));
    const signed = listed("signedActs").includes(action) || (action === "release" && among("toSign"));
    form.elements.password.required = signed;
    form.classList.toggle("unsigned", action !== "" && !signed);
    form.classList.toggle("overrides", action === "release" && among("overridden"));
  }

  if (subject) document.addEventListener("state", (event) => compare(event.detail));
  if (form) {
    document.addEventListener("change", name);
    form.addEventListener("submit", () => { document.getElementById("go").disabled = true; });
    addEventListener("pageshow", name);
    name();
  }
})();
