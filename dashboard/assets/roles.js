"use strict";
/* What the library's lists and drop-downs tell a screen reader, set right: a row of radio buttons is a radio group with a name,
   a row of ticks a group; a drop-down is reached by its own button, not through a hidden field before it. */
(function () {
  const words = (place) => (place ? place.textContent.trim() : "");

  function nameOf(list) {
    const label = list.id && document.querySelector('label[for="' + CSS.escape(list.id) + '"]');
    const named = list.parentElement && list.parentElement.closest("[role=group][aria-label], fieldset");
    const field = list.closest(".field");
    const before = Array.from(document.querySelectorAll(".content h1, .content h2, .content h3, .content h4")).filter(
      (heading) => heading.compareDocumentPosition(list) & Node.DOCUMENT_POSITION_FOLLOWING
    );
    return words(label) || (named && (named.getAttribute("aria-label") || words(named.querySelector("legend")))) ||
      words(field && field.querySelector("label:not(.dash-options-list-option), .field-name")) || words(before.pop()) || document.title;
  }

  function set(place, name, value) {
    if (place.getAttribute(name) !== value) {
      place.setAttribute(name, value);
    }
  }

  function mendList(list) {
    if (list.closest(".dash-dropdown-content")) {
      return;
    }
    set(list, "role", list.classList.contains("dash-radioitems") ? "radiogroup" : "group");
    if (!list.hasAttribute("aria-label")) {
      set(list, "aria-label", nameOf(list));
    }
    for (const option of list.querySelectorAll("label[role], label[aria-selected]")) {
      option.removeAttribute("role");
      option.removeAttribute("aria-selected");
    }
  }

  function mendDropdown(hidden) {
    if (hidden.getAttribute("tabindex") !== "-1") {
      hidden.setAttribute("tabindex", "-1");
    }
    const button = hidden.nextElementSibling;
    if (button && button.getAttribute("tabindex") !== "0") {
      button.setAttribute("tabindex", "0");
    }
  }

  let waiting = false;
  function mend() {
    waiting = false;
    document.querySelectorAll(".dash-options-list").forEach(mendList);
    document.querySelectorAll(".dash-dropdown-focus-target").forEach(mendDropdown);
  }
  document.addEventListener("DOMContentLoaded", () => {
    const soon = () => {
      if (!waiting) {
        waiting = true;
        queueMicrotask(mend);
      }
    };
    new MutationObserver(soon).observe(document.body, {
      childList: true, subtree: true, attributes: true, attributeFilter: ["role", "aria-selected", "tabindex"],
    });
  });
})();
