"use strict";
(function () {
  /* Ids of the buttons that were really pressed, not only drawn anew. */
  const pressedNow = () => window.dash_clientside.callback_context.triggered.filter((one) => one.value).map((one) => one.prop_id.replace(/\.n_clicks$/, ""));
  /* Tokens of files that were taken out of the list on this page. */
  const gone = new Set();
  /* Files of the watched folder that this page asked for of late, and what the page is called then. */
  const AGAIN_MS = 60000;
  const tab = String(Math.random()).slice(2);
  let asked = [];
  /* Columns files that the open question is about, as text. */
  let askedAbout = "";
  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    adding: {
      isGone: (token) => gone.has(token),
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
      /* The list without the file, or all, whose button was pressed; what stands in it by now counts, not what was drawn. */
      letGo: function (_clicks, _all, files) {
        const none = window.dash_clientside.no_update;
        const names = pressedNow();
        if (!names.length) {
          return [none, none, none, none];
        }
        const held = files || [];
        const meant = names.includes("add-remove-all") ? held.map((item) => item.token) : names.map((name) => JSON.parse(name).token);
        const left = held.filter((item) => !meant.includes(item.token));
        if (left.length === held.length) {
          return [none, none, none, none];
        }
        meant.forEach((token) => gone.add(token));
        return [left, null, left.some((item) => item.kind === "log") ? none : [], held.map((item) => item.token).filter((token) => meant.includes(token))];
      },
      /* Tokens of the buttons pressed of late, the newest last: an answer that the next press overtakes is lost, so its file is asked for again. */
      pressedTokens: function () {
        const names = pressedNow();
        if (!names.length) {
          return window.dash_clientside.no_update;
        }
        const token = JSON.parse(names[0]).token;
        const now = Date.now();
        gone.delete(token);
        asked = asked.filter((one) => one.token !== token && now - one.at < AGAIN_MS && !gone.has(one.token)).concat({ token: token, at: now });
        return { tokens: asked.map((one) => one.token), tab: tab, at: now };
      },
      /* Until it is read so, the button for adding stays shut; the program opens it. */
      readingAnew: function () {
        return true;
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
})();
