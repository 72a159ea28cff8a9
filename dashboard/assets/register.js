"use strict";
/* A tick is kept by the browser at once, so that a reload or a slow program cannot lose it. */
window.dash_clientside = Object.assign({}, window.dash_clientside, {
  register: {
    /* The choice after a tick: what other pages hold stays, and the order in which it was ticked. */
    ticked: function (values, names, chosen) {
      if (!names.length) {
        return window.dash_clientside.no_update;
      }
      const now = values.flatMap((value) => value || []);
      const onPage = names.map((name) => name.run);
      const before = (Array.isArray(chosen) ? chosen : []).filter(Number.isInteger).slice(0, 99);
      const kept = before.filter((run) => !onPage.includes(run) || now.includes(run));
      return kept.concat(onPage.filter((run) => now.includes(run) && !kept.includes(run)));
    },
  },
});
