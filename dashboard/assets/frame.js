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
