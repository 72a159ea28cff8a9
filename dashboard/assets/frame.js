"use strict";
/* What every page shares: its title and where the keyboard goes on, whether the program answers, print, wide tables, anchors. */
(function () {
  let shown = false;

  /* A page that follows another one: the keyboard, and who is read to, go on from its heading. Parts of a page come later
     and may draw the heading afresh; so it is looked after for a while, unless the reader has gone elsewhere. */
  function toHeading() {
    const before = document.activeElement;
    const end = performance.now() + 4000;
    let frames = 0;
    function look() {
      const heading = document.querySelector(".content h1");
      const at = document.activeElement;
      frames += 1;
      if (performance.now() > end || (at !== before && at !== document.body && at !== heading)) {
        return;
      }
      if (heading && at !== heading && frames > 2) {
        heading.tabIndex = -1;
        heading.focus({ preventScroll: true });
      }
      requestAnimationFrame(look);
    }
    if (!window.location.hash) {
      window.scrollTo(0, 0);
    }
    look();
  }

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    frame: {
      setTitle: function (title) {
        if (title) {
          document.title = title;
          if (shown) {
            toHeading();
          }
          shown = true;
        }
        return window.dash_clientside.no_update;
      },
      /* Whether the work that was begun last is over. A late answer about an older one does not end the looking. */
      nothingToWatch: function (job, over) {
        return !job || over === job.token;
      },
    },
  });
})();

/* Whether the program answers. Only calls of this page are looked at; /alive is asked only after one of them failed. */
(function () {
  const CALL = "/_dash-update-component";
  const EVERY_MS = 2000;
  const PATIENCE_MS = 8000;
  const KEPT = "packreturn.typed";
  const real = window.fetch.bind(window);
  const own = (document.querySelector("meta[name=pages]") || {}).content;
  const typed = new Map();
  let state = "";
  let pageLost = false;
  let timer = 0;

  function show(name) {
    const bar = document.getElementById("standing");
    if (!bar || ((state === "other" || state === "out") && name !== "") || state === name) {
      return;
    }
    state = name;
    bar.hidden = name === "";
    bar.className = "standing no-print standing-" + name;
    bar.querySelector("p").textContent = name ? bar.getAttribute("data-" + name) : "";
    bar.querySelector("[data-load-again]").hidden = name !== "other" && name !== "defect" && name !== "out";
    bar.querySelector("[data-hide]").hidden = name === "away" || name === "";
  }

  function ask() {
    clearTimeout(timer);
    const stop = new AbortController();
    const patience = setTimeout(() => stop.abort(), PATIENCE_MS);
    real("/alive", { cache: "no-store", signal: stop.signal })
      .then((answer) => (answer.ok ? answer.json() : answer.status === 401 ? { out: true } : Promise.reject(new Error(String(answer.status)))))
      .then(back, () => {
        show("away");
        timer = setTimeout(ask, EVERY_MS);
      })
      .finally(() => clearTimeout(patience));
  }

  function back(answer) {
    if (answer.out) {
      show("out");
      return;
    }
    if (own && answer.pages !== own) {
      show("other");
      return;
    }
    show("again");
    timer = setTimeout(() => state === "again" && show(""), PATIENCE_MS);
    if (pageLost) {
      /* The address has changed, but the page to it never came. */
      pageLost = false;
      window.dash_clientside.set_props("url", { pathname: window.location.pathname });
    }
  }

  function failed(body) {
    pageLost = pageLost || String(body).includes('"content.children');
    pageLost = pageLost || String(body).includes("..content.children");
    if (state !== "away") {
      ask();
    }
  }

  function answered(answer) {
    const mark = answer.headers.get("X-Pages");
    if (own && mark && mark !== own) {
      show("other");
    } else if (answer.status === 401) {
      show("out");
    } else if (answer.status >= 400) {
      show("defect");
    } else if (state === "again") {
      show("");
    }
  }

  window.fetch = function (target, options) {
    const call = real(target, options);
    if (String((target && target.url) || target).includes(CALL)) {
      call.then(answered, (error) => error.name !== "AbortError" && failed(options && options.body));
    }
    return call;
  };

  /* What was typed is put back after "Load the page again". */
  document.addEventListener("input", (event) => {
    const place = event.target;
    if (place.id && place.matches("input[type=text], input[type=number], input[type=search], input:not([type]), textarea")) {
      typed.set(place.id, place.value);
    }
  });
  document.addEventListener("click", (event) => {
    if (event.target.closest("[data-load-again]")) {
      try {
        window.sessionStorage.setItem(KEPT, JSON.stringify([window.location.pathname, Array.from(typed)]));
      } catch (_full) {
        /* Nothing can be kept: the page is loaded all the same. */
      }
      window.location.reload();
    } else if (event.target.closest("[data-hide]")) {
      state = "hidden";
      show("");
    }
  });

  function putBack() {
    let kept = null;
    try {
      kept = JSON.parse(window.sessionStorage.getItem(KEPT));
      window.sessionStorage.removeItem(KEPT);
    } catch (_broken) {
      kept = null;
    }
    if (!kept || kept[0] !== window.location.pathname) {
      return;
    }
    const waiting = new Map(kept[1]);
    const watch = new MutationObserver(() => {
      for (const [id, value] of waiting) {
        const place = document.getElementById(id);
        if (place) {
          waiting.delete(id);
          window.dash_clientside.set_props(id.startsWith("{") ? JSON.parse(id) : id, { value: value });
        }
      }
      if (!waiting.size) {
        watch.disconnect();
      }
    });
    watch.observe(document.body, { childList: true, subtree: true });
  }
  document.addEventListener("DOMContentLoaded", putBack);
})();

/* Figures are drawn in pixels of the screen. Each notes its own size, so that paper can show it as a picture of any width. */
(function () {
  const seen = new WeakSet();

  function note(drawing) {
    const width = parseFloat(drawing.getAttribute("width"));
    const height = parseFloat(drawing.getAttribute("height"));
    if (width > 0 && height > 0) {
      drawing.setAttribute("viewBox", "0 0 " + width + " " + height);
      drawing.parentElement.style.setProperty("--plot-shape", (width / height).toFixed(4));
    }
  }

  const sizes = new MutationObserver((changes) => changes.forEach((change) => note(change.target)));
  function look() {
    for (const drawing of document.querySelectorAll(".js-plotly-plot .main-svg")) {
      if (!seen.has(drawing)) {
        seen.add(drawing);
        note(drawing);
        sizes.observe(drawing, { attributes: true, attributeFilter: ["width", "height"] });
      }
    }
  }
  window.addEventListener("beforeprint", look);
  document.addEventListener("DOMContentLoaded", () => {
    new MutationObserver(look).observe(document.body, { childList: true, subtree: true });
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
      if (part.tagName === "DETAILS") {
        part.open = true;
      }
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
