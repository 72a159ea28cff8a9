"use strict";
/* The bench sheet: Enter goes to the next reading, every entry is kept as it was typed, rows of taps follow the series. */
(function () {
  const IDLE_MS = 300;
  const TYPING_MS = 1500; /* half a number is not asked about */
  const AGAIN_MS = 4000;
  const dash = () => window.dash_clientside;
  let place = null; /* {job, page}: a page drawn afresh has another mark */
  let known = {};
  let pending = {}; /* key: [value, number of the sending]; what the program has not said yet that it keeps */
  let sending = 0;
  let at = null;
  let idle = 0;
  let again = 0;
  let waits = false;
  let told = null;
  let wanted = [];
  let shown = { taps: 0, probes: 0 };

  const form = () => document.getElementById("sheet-form");
  const storage = () => "packreturn.sheet." + place.job;

  function keyOf(element) {
    if (!element || !element.id || element.id[0] !== "{") {
      return null;
    }
    try {
      const id = JSON.parse(element.id);
      return id.type === "sheet-field" || id.type === "sheet-text" ? id.key : null;
    } catch (_other) {
      return null;
    }
  }

  function fieldOf(key) {
    return document.getElementById('{"key":"' + key + '","type":"sheet-text"}') || document.getElementById('{"key":"' + key + '","type":"sheet-field"}');
  }

  const isText = (field) => field && field.matches('[id*="sheet-text"]');

  function fill(key, value) {
    const field = fieldOf(key);
    if (field) {
      dash().set_props({ type: isText(field) ? "sheet-text" : "sheet-field", key: key }, { value: value });
    }
    note(key, value);
  }

  /* What stands in the fields that no callback minds. */
  function texts() {
    const found = {};
    for (const field of document.querySelectorAll('#sheet-form [id*="sheet-text"]')) {
      const key = keyOf(field);
      if (key) {
        found[key] = field.value;
      }
    }
    return found;
  }

  function remember() {
    try {
      const keys = Object.keys(pending);
      if (keys.length) {
        window.localStorage.setItem(storage(), JSON.stringify(Object.fromEntries(keys.map((key) => [key, pending[key][0]]))));
      } else {
        window.localStorage.removeItem(storage());
      }
    } catch (_full) {
      /* a browser that keeps nothing: the program keeps it */
    }
  }

  function note(key, value) {
    const text = value === null || value === undefined ? "" : String(value);
    if ((known[key] || "") === text) {
      known[key] = text;
      return;
    }
    known[key] = text;
    pending[key] = [text, sending + 1];
    at = key;
    remember();
    keepMeter(key);
    follow();
    clearTimeout(idle);
    idle = setTimeout(send, document.activeElement === fieldOf(key) && document.activeElement.matches("input[type=text]") ? TYPING_MS : IDLE_MS);
  }

  /* The meter, and how its owner reads taps, are the same on the next sheet. */
  const METER = "packreturn.meter";
  const ofMeter = (key) => key.startsWith("meter.") || key === "taps_from";

  function keepMeter(key) {
    if (ofMeter(key)) {
      try {
        window.localStorage.setItem(METER, JSON.stringify(Object.fromEntries(Object.entries(known).filter((item) => ofMeter(item[0]) && item[1]))));
      } catch (_full) {
        /* a browser that keeps nothing: it is typed again */
      }
    }
  }

  function meterBack() {
    if (Object.keys(known).some((key) => ofMeter(key) && known[key])) {
      return;
    }
    for (const [key, value] of stored(METER)) {
      if (ofMeter(key)) {
        fill(key, value);
      }
    }
  }

  function stored(name) {
    try {
      return Object.entries(JSON.parse(window.localStorage.getItem(name)) || {}).filter((item) => typeof item[1] === "string");
    } catch (_broken) {
      return [];
    }
  }

  function changes() {
    return Object.fromEntries(Object.entries(pending).map(([key, item]) => [key, item[0]]));
  }

  /* One sending at a time: what is typed meanwhile goes with the next, as soon as the program has answered. */
  function send() {
    clearTimeout(idle);
    if (!place || !Object.keys(pending).length || waits) {
      return;
    }
    if (!form() || form().getAttribute("data-page") !== place.page) {
      away();
      return;
    }
    sending += 1;
    dash().set_props("sheet-typed", { data: { number: sending, page: place.page, values: known, changes: changes(), at: at, rows: document.querySelectorAll("[data-tap]").length } });
    waits = true;
    clearTimeout(again);
    again = setTimeout(() => {
      waits = false;
      send();
    }, AGAIN_MS);
  }

  /* The page is being left: a call of its own, which the browser brings to an end after the page has gone. */
  function away() {
    if (!place || !Object.keys(pending).length) {
      return;
    }
    sending += 1;
    const body = JSON.stringify({ number: sending, page: place.page, changes: changes() });
    navigator.sendBeacon("/job/" + place.job + "/sheet/typed", new Blob([body], { type: "application/json" }));
  }

  /* What the program asks about entries, the groups that taps make, and which further measurements tell most now. */
  function paint() {
    const asked = (told && told.asked) || {};
    const steps = (told && told.steps) || {};
    for (const box of document.querySelectorAll("[data-says]")) {
      const one = asked[box.getAttribute("data-says")];
      const words = one ? one[0] : "";
      if (box.textContent !== words) {
        box.replaceChildren();
        if (one) {
          const line = document.createElement("p");
          line.className = "question question-" + one[1];
          line.textContent = words;
          box.appendChild(line);
        }
      }
    }
    for (const box of document.querySelectorAll("[data-step]")) {
      const words = steps[box.getAttribute("data-step")] || "";
      if (box.textContent !== words) {
        box.textContent = words;
      }
    }
    for (const row of document.querySelectorAll("[data-observed]")) {
      const key = row.getAttribute("data-observed");
      row.classList.toggle("observed-done", Boolean(known[key]));
      row.classList.toggle("observed-wanted", wanted.includes(key) && !known[key]);
    }
  }

  /* How many rows are shown: of taps as many as the series asks for, and never fewer than hold something. */
  function follow() {
    const box = document.getElementById("sheet-taps");
    if (!box) {
      return;
    }
    const way = known["taps_from"] || "";
    if (box.getAttribute("data-way") !== way) {
      box.setAttribute("data-way", way);
    }
    const series = parseInt(known["pack.series"], 10);
    const rows = Array.from(box.querySelectorAll("[data-tap]"));
    const filled = lastFilled(rows, (row) => known["taps." + row.getAttribute("data-tap")]);
    const wanted = series > 0 && series <= 200 ? series + (way === "each_group" ? 0 : 1) : Math.max(filled + 1, 2);
    showRows(rows, Math.max(wanted, filled, shown.taps));
    const probes = Array.from(document.querySelectorAll("[data-probe]"));
    const parts = ["name", "ohm", "place", "temperature_c"];
    const last = lastFilled(probes, (row) => parts.some((part) => known["probe." + row.getAttribute("data-probe") + "." + part]));
    showRows(probes, Math.max(2, last, shown.probes));
    for (const row of probes) {
      const own = row.querySelector(".probe-own");
      if (own) {
        own.hidden = known["probe." + row.getAttribute("data-probe") + ".type"] !== "own";
      }
    }
  }

  function lastFilled(rows, value) {
    let last = 0;
    rows.forEach((row, index) => {
      if (value(row)) {
        last = index + 1;
      }
    });
    return last;
  }

  function showRows(rows, count) {
    rows.forEach((row, index) => {
      if (row.hidden !== index >= count) {
        row.hidden = index >= count;
      }
    });
  }

  function oneMore(kind) {
    const rows = Array.from(document.querySelectorAll(kind === "taps" ? "[data-tap]" : "[data-probe]"));
    const open = rows.filter((row) => !row.hidden).length;
    shown[kind] = open + 1;
    follow();
    const row = rows[open];
    const field = row && row.querySelector("input");
    if (field) {
      field.focus();
    }
  }

  function walk(field, back) {
    const places = Array.from(form().querySelectorAll("input[type=text]")).filter((one) => one.checkVisibility());
    const next = places[places.indexOf(field) + (back ? -1 : 1)];
    if (next) {
      next.focus();
      next.select();
      next.scrollIntoView({ block: "nearest" });
    }
  }

  document.addEventListener("input", (event) => {
    const key = keyOf(event.target);
    if (key && place && event.target.matches("input[type=text], textarea")) {
      note(key, event.target.value);
    }
  });
  document.addEventListener("keydown", (event) => {
    const field = event.target;
    if (!keyOf(field) || !field.matches("input[type=text]") || event.isComposing) {
      return;
    }
    const inTap = field.closest("[data-tap]");
    if (event.key === "Enter" || (inTap && (event.key === "ArrowDown" || event.key === "ArrowUp"))) {
      event.preventDefault();
      send();
      walk(field, event.key === "ArrowUp" || event.shiftKey);
    }
  });
  let lastField = null;
  document.addEventListener("focusin", (event) => {
    if (keyOf(event.target) && event.target.matches("input[type=text]")) {
      lastField = event.target;
      event.target.enterKeyHint = "next";
    }
  });
  document.addEventListener("focusout", (event) => keyOf(event.target) && send());
  document.addEventListener("pointerdown", (event) => {
    if (event.target.closest && event.target.closest("[data-next-reading]")) {
      event.preventDefault(); /* the keys of a phone stay on the screen */
    }
  });
  document.addEventListener("click", (event) => {
    const pressed = event.target.closest ? event.target : null;
    const more = pressed && pressed.closest("[data-one-more]");
    const jump = pressed && pressed.closest("[data-to-field]");
    const every = pressed && pressed.closest("[data-all-observed]");
    if (every) {
      document.getElementById("sheet-observed-box").classList.add("observed-every");
      const first = document.querySelector("#sheet-observed-box input");
      first.focus(); /* the button goes */
    } else if (more) {
      oneMore(more.getAttribute("data-one-more"));
    } else if (pressed && pressed.closest("[data-next-reading]") && lastField && lastField.isConnected) {
      send();
      walk(lastField, false);
    } else if (pressed && pressed.closest("[data-open-reading]")) {
      /* "The meter shows OL": the word goes into the field of its row. */
      const field = pressed.closest("[data-probe]").querySelector('input[id*=".ohm"]');
      const button = pressed.closest("[data-open-reading]");
      fill(keyOf(field), button.getAttribute("data-open-reading"));
    } else if (jump) {
      const target = fieldOf(jump.getAttribute("data-to-field"));
      if (target) {
        event.preventDefault();
        if (target.closest("#sheet-observed-box")) {
          document.getElementById("sheet-observed-box").classList.add("observed-every");
        }
        const seen = target.matches("input, textarea") ? target : target.querySelector("input") || target;
        for (let fold = seen.closest("details"); fold; fold = fold.parentElement.closest("details")) {
          fold.open = true;
        }
        seen.focus();
        seen.scrollIntoView({ block: "center" });
      }
    }
  });
  /* What was typed last is handed over before the sheet is kept, whether or not an answer is still awaited. */
  document.addEventListener("click", (event) => {
    if (event.target.closest && event.target.closest("#sheet-keep")) {
      waits = false;
      send();
    }
  }, true);
  window.addEventListener("pagehide", away);
  document.addEventListener("visibilitychange", () => (document.visibilityState === "hidden" ? away() : send()));

  /* What an earlier tab could not hand over, because the program did not answer, is put back. */
  function putBack() {
    for (const [key, value] of stored(storage())) {
      if ((known[key] || "") !== value) {
        fill(key, value);
      }
    }
    remember();
  }

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    sheet: {
      collect: function (values, ids, here) {
        if (!here) {
          return dash().no_update;
        }
        if (!place || place.page !== here.page) {
          place = here;
          known = texts();
          pending = {};
          sending = 0;
          waits = false;
          clearTimeout(again);
          shown = { taps: 0, probes: 0 };
          ids.forEach((id, index) => {
            known[id.key] = values[index] === null || values[index] === undefined ? "" : String(values[index]);
          });
          putBack();
          meterBack();
          follow();
          return dash().no_update;
        }
        ids.forEach((id, index) => {
          if (!(id.key in known)) {
            known[id.key] = values[index] ? String(values[index]) : "";
          } else {
            note(id.key, values[index]);
          }
        });
        follow();
        return dash().no_update;
      },
      answered: function (answer, keys) {
        wanted = keys || [];
        if (answer && place && answer.page === place.page) {
          told = answer;
          for (const key of Object.keys(pending)) {
            if (pending[key][1] <= answer.number) {
              delete pending[key];
            }
          }
          remember();
          if (answer.number >= sending) {
            clearTimeout(again);
            waits = false;
            send();
          }
        }
        paint();
        return dash().no_update;
      },
    },
  });

  /* Rows that came since: they show what was typed meanwhile, and what is said of it. */
  function mend() {
    for (const field of document.querySelectorAll('#sheet-form [id*="sheet-text"]')) {
      const key = keyOf(field);
      if (key && !(key in known)) {
        known[key] = field.value;
      } else if (key && field.value !== known[key] && field !== document.activeElement) {
        dash().set_props({ type: "sheet-text", key: key }, { value: known[key] });
      }
    }
    follow();
    paint();
  }
  let rowsSeen = 0;
  document.addEventListener("DOMContentLoaded", () => {
    new MutationObserver(() => {
      const rows = place && form() && form().getAttribute("data-page") === place.page ? document.querySelectorAll("[data-tap], [data-observed]").length : 0;
      if (rows && rowsSeen && rows !== rowsSeen) {
        mend();
      }
      rowsSeen = rows;
    }).observe(document.body, { childList: true, subtree: true });
  });
})();
