"use strict";
/* Light or dark, before the first paint: as the system, or as chosen on the page and kept in this browser. This file stands in
   the head of the page and is the only one that does. */
(function () {
  const KEY = "packreturn.display";
  const root = document.documentElement;
  const dark = window.matchMedia("(prefers-color-scheme: dark)");
  let unkept = "system";

  function chosen() {
    try {
      const kept = window.localStorage.getItem(KEY);
      return kept === "light" || kept === "dark" ? kept : "system";
    } catch (_closed) {
      return unkept;
    }
  }

  function apply() {
    const choice = chosen();
    root.dataset.scheme = choice === "system" ? (dark.matches ? "dark" : "light") : choice;
    for (const button of document.querySelectorAll("[data-display]")) {
      button.setAttribute("aria-pressed", String(button.dataset.display === choice));
    }
  }

  function choose(choice) {
    unkept = choice;
    try {
      window.localStorage.setItem(KEY, choice);
    } catch (_closed) {
      /* A browser that keeps nothing: the choice lasts as long as this page. */
    }
    apply();
  }

  apply();
  dark.addEventListener("change", apply);
  window.addEventListener("storage", apply);
  document.addEventListener("toggle", (event) => event.target.classList.contains("display") && apply(), true);
  document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-display]");
    if (button) {
      choose(button.dataset.display);
    }
    for (const box of document.querySelectorAll(".display[open]")) {
      if (button || !box.contains(event.target)) {
        box.open = false;
      }
      if (button) {
        box.querySelector("summary").focus();
      }
    }
  });
  document.addEventListener("keydown", (event) => {
    const box = event.key === "Escape" && document.querySelector(".display[open]");
    if (box) {
      box.open = false;
      box.querySelector("summary").focus();
    }
  });
})();
