// What was typed outlives a session that ended meanwhile: it is kept in this tab, for this person and
// this form alone, never a password. It comes back after signing in, and is forgotten otherwise.
"use strict";
(() => {
  const kinds = ["text", "search", "textarea", "select-one", "radio", "checkbox"];
  const fields = (form) => [...form.elements].filter((f) => f.name && kinds.includes(f.type));
  const checks = (field) => /radio|checkbox/.test(field.type);
  const key = (form) => `typed ${form.dataset.keep}`;
  const signedIn = document.referrer !== ""
    && new URL(document.referrer).pathname.startsWith("/sign-in");
  const forms = document.querySelectorAll("form[data-keep]");

  function remember(form) {
    const values = fields(form).map((f) => (checks(f) ? f.checked : f.value));
    sessionStorage.setItem(key(form), JSON.stringify(values));
  }

  function restore(form) {
    const values = JSON.parse(sessionStorage.getItem(key(form)) || "[]");
    const places = fields(form);
    if (values.length !== places.length) return;
    places.forEach((f, at) => {
      if (checks(f)) f.checked = values[at];
      else f.value = values[at];
      const folded = f.closest("details");
      if (folded && (checks(f) ? f.checked : f.value)) folded.open = true;
    });
    form.dispatchEvent(new Event("change", { bubbles: true }));
  }

  if (signedIn) forms.forEach(restore);
  for (const name of Object.keys(sessionStorage)) {
    if (name.startsWith("typed ")) sessionStorage.removeItem(name);
  }
  for (const form of forms) form.addEventListener("submit", () => remember(form));
})();
