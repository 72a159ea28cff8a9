"use strict";
/* Where the findings stand below the curve, the curve is brought into view when one of them is shown. */
window.dash_clientside = Object.assign({}, window.dash_clientside, {
  run: {
    bringIntoView: function (go) {
      const curve = document.getElementById("run-curve");
      if (go && curve) {
        const place = curve.getBoundingClientRect();
        const seen = Math.min(place.bottom, window.innerHeight) - Math.max(place.top, 0);
        if (seen < 0.6 * Math.min(place.height, window.innerHeight)) {
          curve.scrollIntoView({ block: "center" });
        }
      }
      return window.dash_clientside.no_update;
    },
  },
});
