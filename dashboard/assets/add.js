"use strict";
/* What was typed for a test that is stored now must not stand there for the next one. */
window.dash_clientside = Object.assign({}, window.dash_clientside, {
  adding: {
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
