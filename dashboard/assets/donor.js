"use strict";
/* Two plugs: what is typed is gathered into one store of this tab when its field is left, so that a reload loses nothing; Enter; paper.
   Fields that were only drawn afresh are not gathered: what they show may be older than the store. */
(function () {
  const KEPT_MS = 3000;
  const typed = new Set();
  const entries = new Map();
  let count = 0;
  const isField = (place) => Boolean(place && place.id && place.id.includes('"donor-field"'));

  function take(field) {
    if (typed.delete(field.id)) {
      entries.set(field.id, { value: field.value, at: Date.now(), serial: null });
      window.dash_clientside.set_props("donor-typed", { data: (count += 1) });
    }
  }

  document.addEventListener("input", (event) => isField(event.target) && typed.add(event.target.id));
  document.addEventListener("focusout", (event) => isField(event.target) && take(event.target));

  /* A reading and Enter: on to the next pin. */
  document.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || !isField(event.target)) {
      return;
    }
    take(event.target);
    const at = JSON.parse(event.target.id);
    const found = /^pin\.(\d+)\.(v|role)$/.exec(at.key);
    const next = found && document.getElementById(JSON.stringify({ key: "pin." + (Number(found[1]) + 1) + "." + found[2], side: at.side, type: at.type }));
    if (next) {
      next.focus();
    }
  });

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    donor: {
      /* An entry is put in again for a moment: the store handed in may be older than the one before it. */
      gather: function (_count, kept, page) {
        const serial = (kept || {}).serial || 0;
        const sides = { own: Object.assign({}, (kept || {}).own), donor: Object.assign({}, (kept || {}).donor) };
        let changed = false;
        for (const [name, entry] of entries) {
          const id = JSON.parse(name);
          if (entry.serial === null) {
            entry.serial = serial;
          }
          if (entry.serial !== serial || Date.now() - entry.at > KEPT_MS) {
            entries.delete(name);
          }
          if (entry.serial === serial && entry.value !== (sides[id.side][id.key] || "")) {
            sides[id.side][id.key] = entry.value;
            changed = true;
          }
        }
        return changed ? { own: sides.own, donor: sides.donor, page: page, serial: serial } : window.dash_clientside.no_update;
      },
      print: function (clicks) {
        if (clicks) {
          window.print();
        }
        return window.dash_clientside.no_update;
      },
    },
  });
})();
