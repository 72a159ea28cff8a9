"use strict";
/* Files dropped on a page, or chosen by a button, are sent one after another as the body of a PUT and reported in one piece to a
   store. Pages that take files of their own have an element with data-drop, which names the store; every other file is a log (or a pack
   or columns file) and leads to the page on which tests are added. What is shown meanwhile is drawn here, on whatever page it is. */
(function () {
  const ADD = "add-drop-event";
  const ADD_PATH = "/add";
  const FILES_MAX = 40;
  const hasFiles = (event) => Array.from((event.dataTransfer && event.dataTransfer.types) || []).includes("Files");
  const words = (name) => (document.querySelector("[data-upload-words]") || document.body).getAttribute("data-" + name) || "";
  const AGAIN_MS = 60000;
  const held = new Set();
  const told = [];
  /* The last drop whose answer was shown, and errors of drops whose answer was not: they are told again with the next drop, which overtakes that answer. */
  let answered = 0;
  let unheard = [];
  const waiting = [];
  let depth = 0;
  let count = 0;
  let call = null;
  let stopped = false;
  let busy = false;
  let tray = null;

  /* ---- which store files go to ---- */
  function fits(zone, files) {
    const accept = zone.getAttribute("data-drop-accept") || "";
    return accept !== "" && files.every((file) => accept === "image/*"
      ? (file.type || "").startsWith("image/") : file.name.toLowerCase().endsWith(accept));
  }

  function storeFor(target, files) {
    const zone = target && target.closest && target.closest("[data-drop]");
    if (zone) {
      return zone.getAttribute("data-drop");
    }
    const other = Array.from(document.querySelectorAll("[data-drop]")).find((place) => fits(place, files));
    return other ? other.getAttribute("data-drop") : ADD;
  }

  function zoneOf(store) {
    return document.querySelector('[data-drop="' + store + '"]');
  }

  /* ---- what is shown ---- */
  function drawn() {
    if (!tray) {
      tray = document.createElement("div");
      tray.className = "upload-tray";
      tray.setAttribute("role", "status");
      const bar = document.createElement("progress");
      bar.max = 100;
      const stop = document.createElement("button");
      stop.type = "button";
      stop.className = "button quiet-button";
      stop.addEventListener("click", cancel);
      tray.append(bar, document.createElement("span"), stop);
    }
    return tray;
  }

  function progress(job, done, total) {
    const shown = drawn();
    const zone = zoneOf(job.store);
    const place = zone && zone.querySelector("[data-drop-progress]");
    const home = place || document.body;
    if (shown.parentNode !== home) {
      home.append(shown);
    }
    shown.classList.toggle("upload-tray-low", !place);
    const percent = total ? Math.floor((100 * done) / total) : 0;
    shown.firstChild.value = percent;
    shown.firstChild.setAttribute("aria-label", job.file.name);
    const many = job.of > 1 ? " (" + job.number + "/" + job.of + ")" : "";
    shown.children[1].textContent = job.file.name + many + ", " + percent + " %";
    shown.lastChild.textContent = words("cancel");
  }

  function clear() {
    if (tray) {
      tray.remove();
    }
  }

  function lost(name) {
    const old = document.querySelector(".upload-lost");
    const box = old || document.createElement("div");
    if (!old) {
      box.className = "error-panel upload-lost";
      box.setAttribute("role", "alert");
      const close = document.createElement("button");
      close.type = "button";
      close.className = "button quiet-button";
      close.textContent = words("close");
      close.addEventListener("click", () => box.remove());
      box.append(document.createElement("p"), close);
      document.body.append(box);
    }
    box.firstChild.textContent = words("lost").replace("{name}", name);
  }

  /* ---- sending ---- */
  function send(job) {
    return new Promise((resolve) => {
      call = new XMLHttpRequest();
      const this_call = call;
      call.open("PUT", "/drop");
      call.setRequestHeader("X-File-Name", encodeURIComponent(job.file.name));
      call.setRequestHeader("X-File-Folder", encodeURIComponent(job.folder));
      call.setRequestHeader("Content-Type", "application/octet-stream");
      if (job.store === ADD) {
        call.setRequestHeader("X-File-For", "log");
      }
      call.upload.onprogress = (event) => progress(job, event.loaded, event.total || job.file.size);
      call.onerror = () => resolve(null);
      call.onabort = () => resolve({});
      call.onload = () => {
        try {
          const answer = JSON.parse(this_call.responseText);
          const told = answer.error && ["what", "where", "why", "mend"].every((part) => part in answer.error);
          resolve(answer.token || told ? answer : null);
        } catch (_error) {
          resolve(null);
        }
      };
      
      call.send(job.file);
    });
  }

  function cancel() {
    stopped = true;
    waiting.length = 0;
    if (call) {
      call.abort();
    }
  }

  function tell(store, good, bad) {
    count += 1;
    let files = good;
    if (store === ADD) {
      // An answer that is overtaken by the next drop is lost: what was told of late is told again, and what is known already is passed over.
      const now = Date.now();
      while (told.length && now - told[0].at > AGAIN_MS) {
        told.shift();
      }
      const still = told.filter((one) => !window.dash_clientside.adding.isGone(one.file.token));
      files = still.map((one) => Object.assign({}, one.file, { again: true, heard: one.count <= answered })).concat(good);
      told.push(...good.map((file) => ({ at: now, count: count, file: file })));
      unheard.push({ count: count, errors: bad });
      bad = unheard.flatMap((one) => one.errors);
    }
    window.dash_clientside.set_props(store, { data: { files: files, errors: bad, count: count } });
  }

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    dropping: {
      heard: function (number) {
        answered = Math.max(answered, number || 0);
        unheard = unheard.filter((one) => one.count > answered);
      },
    },
  });

  async function work() {
    busy = true;
    stopped = false;
    const found = new Map();
    while (waiting.length) {
      const job = waiting.shift();
      const mine = found.get(job.store) || { good: [], bad: [] };
      found.set(job.store, mine);
      progress(job, 0, job.file.size);
      const answer = await send(job);
      call = null;
      if (answer === null) {
        lost(job.file.name);
      } else if (answer.error) {
        mine.bad.push(answer.error);
      } else if (answer.token) {
        mine.good.push(answer);
        if (job.store !== ADD) {
          held.add(answer.token);
        }
      }
    }
    busy = false;
    clear();
    for (const [store, mine] of found) {
      if (mine.good.length || mine.bad.length) {
        tell(store, mine.good, mine.bad);
      }
    }
  }

  function take(store, list) {
    const files = list.slice(0, FILES_MAX);
    if (!files.length) {
      return;
    }
    if (store === ADD && window.location.pathname !== ADD_PATH) {
      window.dash_clientside.set_props("url", { pathname: ADD_PATH, search: "" });
    }
    files.forEach((item, index) => waiting.push(Object.assign({ store: store, number: index + 1, of: files.length }, item)));
    if (!busy) {
      work();
    }
  }

  /* ---- folders ---- */
  function filesOf(entry, folder) {
    return new Promise((resolve) => {
      if (entry.isFile) {
        entry.file((file) => resolve([{ file: file, folder: folder }]), () => resolve([]));
        return;
      }
      const reader = entry.createReader();
      const found = [];
      const more = () => reader.readEntries(async (entries) => {
        if (!entries.length) {
          resolve((await Promise.all(found.slice(0, FILES_MAX).map((item) => filesOf(item, entry.name)))).flat());
          return;
        }
        found.push(...entries.filter((item) => !item.name.startsWith(".")));
        more();
      }, () => resolve([]));
      more();
    });
  }

  async function dropped(transfer) {
    const plain = Array.from(transfer.files).map((file) => ({ file: file, folder: "" }));
    const entries = Array.from(transfer.items || []).map((item) => item.webkitGetAsEntry && item.webkitGetAsEntry()).filter(Boolean);
    if (!entries.some((entry) => entry.isDirectory)) {
      return plain;
    }
    return (await Promise.all(entries.map((entry) => filesOf(entry, "")))).flat();
  }

  /* ---- the page ---- */
  function over(is_over) {
    document.documentElement.classList.toggle("files-over", is_over);
  }

  /* What was dropped for one page alone goes with the page; logs wait, so that a reload in mid-work loses nothing. */
  window.addEventListener("pagehide", () => {
    if (held.size) {
      navigator.sendBeacon("/drop/forget", new Blob([JSON.stringify(Array.from(held))], { type: "application/json" }));
      held.clear();
    }
  });
  window.addEventListener("beforeunload", (event) => {
    if (busy) {
      event.preventDefault();
    }
  });
  document.addEventListener("dragenter", (event) => {
    if (hasFiles(event)) {
      depth += 1;
      over(true);
      event.preventDefault();
    }
  });
  document.addEventListener("dragleave", () => {
    depth = Math.max(0, depth - 1);
    if (depth === 0) {
      over(false);
    }
  });
  document.addEventListener("dragover", (event) => {
    if (hasFiles(event)) {
      event.preventDefault();
    }
  });
  document.addEventListener("drop", async (event) => {
    if (!hasFiles(event) || event.defaultPrevented) {
      return;
    }
    event.preventDefault();
    depth = 0;
    over(false);
    const store = storeFor(event.target, Array.from(event.dataTransfer.files));
    take(store, await dropped(event.dataTransfer));
  });
  document.addEventListener("click", (event) => {
    const button = event.target.closest && event.target.closest("[data-drop-choose]");
    const zone = button && button.closest("[data-drop]");
    if (!zone) {
      return;
    }
    const chooser = document.createElement("input");
    chooser.type = "file";
    chooser.multiple = true;
    chooser.accept = zone.getAttribute("data-drop-accept") || "";
    chooser.addEventListener("change", () => {
      take(zone.getAttribute("data-drop"), Array.from(chooser.files).map((file) => ({ file: file, folder: "" })));
    });
    chooser.click();
  });
})();
