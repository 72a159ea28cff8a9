"use strict";
/* Page title and the drop zone. Nothing here leaves this computer: files go to the address the page came from. */
window.dash_clientside = Object.assign({}, window.dash_clientside, {
  frame: {
    setTitle: function (title) {
      if (title) {
        document.title = title;
      }
      return window.dash_clientside.no_update;
    },
  },
});

/* Figures are drawn in pixels of the screen; on paper they are scaled by the width of the page's text. */
(function () {
  const PAPER_PX = 680;
  function measure() {
    const page = document.querySelector(".content");
    if (page && page.clientWidth > 0) {
      const zoom = Math.min(1, PAPER_PX / (page.clientWidth - 96));
      document.documentElement.style.setProperty("--print-zoom", zoom.toFixed(3));
    }
  }
  window.addEventListener("resize", () => {
    if (!window.matchMedia("print").matches) {
      measure();
    }
  });
  document.addEventListener("DOMContentLoaded", measure);
  window.addEventListener("load", () => setTimeout(measure, 500));
  window.addEventListener("beforeprint", () => {
    if (!window.matchMedia("print").matches) {
      measure();
    }
  });
})();

/* A table that is wider than its place says so: the sheet shows the words of data-hint. */
(function () {
  let waiting = false;
  function look() {
    waiting = false;
    for (const place of document.querySelectorAll(".table-scroll")) {
      place.classList.toggle("can-scroll", place.scrollWidth > place.clientWidth + 2);
    }
  }
  function soon() {
    if (!waiting) {
      waiting = true;
      requestAnimationFrame(look);
    }
  }
  window.addEventListener("resize", soon);
  document.addEventListener("toggle", soon, true);
  document.addEventListener("DOMContentLoaded", () => {
    new MutationObserver(soon).observe(document.body, { childList: true, subtree: true });
  });
})();

/* An address that names a part of the page: the part is drawn after the page has loaded, so it is looked for then. */
(function () {
  let wanted = window.location.hash.slice(1);
  if (!/^[a-z-]+$/.test(wanted)) {
    return;
  }
  const watch = new MutationObserver(() => {
    const part = wanted && document.getElementById(wanted);
    if (part) {
      wanted = "";
      watch.disconnect();
      setTimeout(() => part.scrollIntoView(), 300);
    }
  });
  document.addEventListener("DOMContentLoaded", () => watch.observe(document.body, { childList: true, subtree: true }));
})();

/* A button whose press draws its own row afresh: the keyboard goes on from the new one. */
(function () {
  document.addEventListener("click", (event) => {
    const pressed = event.target.closest && event.target.closest(".fill-button");
    if (!pressed || !pressed.id) {
      return;
    }
    const watch = new MutationObserver(() => {
      const fresh = document.getElementById(pressed.id);
      if (fresh && fresh !== pressed && document.activeElement === document.body) {
        watch.disconnect();
        fresh.focus({ preventScroll: true });
      }
    });
    watch.observe(document.body, { childList: true, subtree: true });
    setTimeout(() => watch.disconnect(), 5000);
  });
})();
