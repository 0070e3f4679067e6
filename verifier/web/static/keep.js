// What was typed outlives a session that ended meanwhile: it is kept in this tab, for this person and
// this form alone, never a password, and forgotten as soon as the form was carried out.
"use strict";
(() => {
  const kept = ["text", "search", "textarea", "select-one", "radio", "checkbox"];
  const fields = (form) => [...form.elements].filter((f) => f.name && kept.includes(f.type));

  function state(form) {
    return fields(form).map((f) => (/radio|checkbox/.test(f.type) ? f.checked : f.value));
  }

  function remember(form) {
    sessionStorage.setItem(form.dataset.keep, JSON.stringify(state(form)));
  }

  function restore(form) {
    const text = sessionStorage.getItem(form.dataset.keep);
    sessionStorage.removeItem(form.dataset.keep);
    const values = text ? JSON.parse(text) : [];
    const places = fields(form);
    if (document.getElementById("refused") || values.length !== places.length) return;
    places.forEach((f, at) => {
      if (/radio|checkbox/.test(f.type)) f.checked = values[at];
      else f.value = values[at];
      if (f.closest("details") && (f.checked || f.value)) f.closest("details").open = true;
    });
    form.dispatchEvent(new Event("change", { bubbles: true }));
  }

  for (const form of document.querySelectorAll("form[data-keep]")) {
    restore(form);
    form.addEventListener("submit", () => remember(form));
  }
})();
