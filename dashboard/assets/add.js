"use strict";
/* Columns files that the open question is about, as text. */
let askedAbout = "";
window.dash_clientside = Object.assign({}, window.dash_clientside, {
  adding: {
    /* Whether the question is hidden: a press shows or hides it, news of the files hides it only if others are meant now. */
    askToForget: function (_ask, _keep, state) {
      const known = JSON.stringify((state && state.known) || []);
      const moved = window.dash_clientside.callback_context.triggered.map((one) => one.prop_id);
      if (moved.includes("add-forget.n_clicks")) {
        askedAbout = known;
        return known === "[]";
      }
      if (moved.includes("add-forget-not.n_clicks")) {
        return true;
      }
      return known === askedAbout ? window.dash_clientside.no_update : true;
    },
    /* What was typed for a test that is stored now must not stand there for the next one. */
    forgetTyped: function (token) {
      if (!token) {
        return window.dash_clientside.no_update;
      }
      for (const key of Object.keys(window.sessionStorage)) {
        if (key.startsWith("_dash_persistence.") && key.includes("add-") && !key.includes("add-criteria") && !key.includes("add-instrument-field")) {
          window.sessionStorage.removeItem(key);
        }
      }
      return {};
    },
  },
});
