"use strict";
/* The page of one job: what goes with the kind of entry that is written. */
window.dash_clientside = Object.assign({}, window.dash_clientside, {
  job: {
    kind: function (kind, names) {
      return [kind !== "work" && kind !== "part", kind !== "work", JSON.parse(names)[kind] || window.dash_clientside.no_update];
    },
  },
});
