"use strict";
/* Files dropped on, or chosen for, an element with data-drop are sent one after another as the body of a PUT and
   reported in one piece to the store whose id the attribute names. */
(function () {
  const zoneOf = () => document.querySelector("[data-drop]");
  const hasFiles = (event) => Array.from((event.dataTransfer && event.dataTransfer.types) || []).includes("Files");
  let depth = 0;
  let busy = false;
  let count = 0;
  const held = new Set();

  function progress(zone, done, total, name, index, files) {
    const place = zone.querySelector("[data-drop-progress]");
    if (!place) {
      return;
    }
    let bar = place.querySelector("progress");
    if (!bar) {
      place.textContent = "";
      bar = document.createElement("progress");
      bar.max = 100;
      place.append(bar, document.createElement("span"));
    }
    const percent = total ? Math.floor((100 * done) / total) : 0;
    bar.value = percent;
    bar.setAttribute("aria-label", name);
    place.lastChild.textContent = name + " (" + (index + 1) + "/" + files + "), " + percent + " %";
  }

  function clear(zone) {
    const place = zone && zone.querySelector("[data-drop-progress]");
    if (place) {
      place.textContent = "";
    }
  }

  function failed(name, why) {
    return { error: { what: "the file did not reach the program", where: name, why: why,
                      mend: "see that the program still runs, then drop the file again" } };
  }

  function send(file, onProgress) {
    return new Promise((resolve) => {
      const call = new XMLHttpRequest();
      call.open("PUT", "/drop");
      call.setRequestHeader("X-File-Name", encodeURIComponent(file.name));
      call.setRequestHeader("Content-Type", "application/octet-stream");
      call.upload.onprogress = (event) => onProgress(event.loaded, event.total || file.size);
      call.onerror = () => resolve(failed(file.name, "the connection broke"));
      call.onload = () => {
        try {
          const answer = JSON.parse(call.responseText);
          resolve(answer.token || answer.error ? answer : failed(file.name, "status " + call.status));
        } catch (_error) {
          resolve(failed(file.name, "status " + call.status));
        }
      };
      call.send(file);
    });
  }

  async function take(zone, list) {
    const files = Array.from(list);
    if (!files.length || busy) {
      return;
    }
    busy = true;
    const store = zone.getAttribute("data-drop");
    zone.classList.add("drop-busy");
    const good = [];
    const bad = [];
    for (let index = 0; index < files.length; index += 1) {
      const file = files[index];
      progress(zone, 0, file.size, file.name, index, files.length);
      const answer = await send(file, (done, total) => progress(zone, done, total, file.name, index, files.length));
      if (answer.error) {
        bad.push(answer.error);
      } else {
        good.push(answer);
        held.add(answer.token);
      }
    }
    busy = false;
    count += 1;
    zone.classList.remove("drop-busy");
    clear(zone);
    window.dash_clientside.set_props(store, { data: { files: good, errors: bad, count: count } });
  }

  /* A page that is left or loaded afresh leaves no files behind. */
  window.addEventListener("pagehide", () => {
    if (held.size) {
      navigator.sendBeacon("/drop/forget", new Blob([JSON.stringify(Array.from(held))], { type: "application/json" }));
      held.clear();
    }
  });
  document.addEventListener("dragenter", (event) => {
    if (zoneOf() && hasFiles(event)) {
      depth += 1;
      zoneOf().classList.add("drop-over");
      event.preventDefault();
    }
  });
  document.addEventListener("dragleave", () => {
    depth = Math.max(0, depth - 1);
    if (depth === 0 && zoneOf()) {
      zoneOf().classList.remove("drop-over");
    }
  });
  document.addEventListener("dragover", (event) => {
    if (hasFiles(event)) {
      event.preventDefault();
    }
  });
  document.addEventListener("drop", (event) => {
    if (!hasFiles(event)) {
      return;
    }
    event.preventDefault();
    depth = 0;
    const zone = zoneOf();
    if (zone) {
      zone.classList.remove("drop-over");
      take(zone, event.dataTransfer.files);
    }
  });
  document.addEventListener("click", (event) => {
    const button = event.target.closest && event.target.closest("[data-drop-choose]");
    const zone = zoneOf();
    if (!button || !zone) {
      return;
    }
    const chooser = document.createElement("input");
    chooser.type = "file";
    chooser.multiple = true;
    chooser.addEventListener("change", () => take(zone, chooser.files));
    chooser.click();
  });
})();
