"use strict";
/* The page of one pack: one name in all fields of who writes, fields that go with the kind of entry, the form that puts a run right. */
window.dash_clientside = Object.assign({}, window.dash_clientside, {
  pack: {
    who: function (values, ids) {
      /* Several people may sign in at one browser: each has a name of their own, at first that of the sign-in. */
      const place = document.querySelector("[data-signed-in]");
      const signedIn = place ? place.getAttribute("data-signed-in") : null;
      const KEY = signedIn === null ? "pack-who" : "pack-who of " + signedIn;
      const none = window.dash_clientside.no_update;
      const triggered = (window.dash_clientside.callback_context.triggered || []).map((item) => item.prop_id);
      const isNew = (value) => value === null || value === undefined;
      let kept = null;
      try {
        kept = window.localStorage.getItem(KEY);
      } catch (_error) {
        /* a browser that keeps nothing */
      }
      if (kept === null) {
        kept = signedIn;
      }
      let typed = null;
      ids.forEach((id, at) => {
        if (!isNew(values[at]) && values[at] !== kept && triggered.some((name) => name.includes('"form":"' + id.form + '"'))) {
          typed = values[at];
        }
      });
      if (typed !== null) {
        kept = typed;
        try {
          window.localStorage.setItem(KEY, typed);
        } catch (_error) {
          /* as above */
        }
      }
      ids.forEach((id, at) => {
        if (kept !== null && values[at] !== kept && (typed !== null || isNew(values[at]))) {
          window.dash_clientside.set_props(id, { value: kept });
        }
      });
      return none;
    },
    kind: function (kind, names) {
      return [kind === "status", kind !== "status", kind !== "work" && kind !== "part", kind !== "customer",
              JSON.parse(names)[kind] || window.dash_clientside.no_update];
    },
    act: function (kind) {
      return [kind !== "label", kind !== "ratings"];
    },
  },
});

/* A press that draws the card afresh takes its own button away: the eyes and the keyboard go on at the words that say what was done. */
document.addEventListener("click", (event) => {
  if (!(event.target.closest && event.target.closest(".entry-change .button"))) {
    return;
  }
  const watch = new MutationObserver(() => {
    const said = document.getElementById("pack-card-said");
    if (said && said.textContent && document.activeElement === document.body) {
      watch.disconnect();
      said.focus();
    }
  });
  watch.observe(document.body, { childList: true, subtree: true });
  setTimeout(() => watch.disconnect(), 30000);
});
