// The library: pictures in the grid, files dropped in.
(function () {
  "use strict";
  const jb = (window.jointbook = window.jointbook || {});
  const SVG = "http://www.w3.org/2000/svg";

  // --- the grid's cells ------------------------------------------------------
  const cells = (window.dashAgGridComponentFunctions = window.dashAgGridComponentFunctions || {});
  const make = () => window.React.createElement;

  cells.SessionLink = function (props) {
    const address = "/replay?session=" + encodeURIComponent(props.value);
    return make()("a", {
      href: address,
      onClick: function (event) {
        if (event.ctrlKey || event.metaKey || event.shiftKey || event.button) return;
        event.preventDefault();
        jb.address.go("replay", { session: props.value });
      },
    }, props.value);
  };

  // One slot a joint: a rule whose height is nothing, a mark for the worst
  // flag; under all of them a gauge as long as the log is complete.
  const DRAW = {
    1: (x) => ["circle", { cx: x, cy: 10, r: 4, className: "pic-note" }],
    2: (x) => ["path", { d: `M${x} 4 l5.5 6 -5.5 6 -5.5 -6z`, className: "pic-look" }],
    3: (x) => ["path", { d: `M${x} 3.5 l6.5 12 h-13z`, className: "pic-act" }],
  };
  cells.SessionPicture = function (props) {
    const h = make(), row = props.data;
    const slots = row.marks.length || 1, pitch = 20, width = slots * pitch;
    const parts = [];
    [...row.marks].forEach(function (mark, i) {
      const x = pitch / 2 + i * pitch;
      parts.push(h("line", { key: "t" + i, x1: x - 3, x2: x + 3, y1: 10, y2: 10, className: "pic-idle" }));
      if (DRAW[mark]) { const [tag, attrs] = DRAW[mark](x); parts.push(h(tag, { key: "m" + i, ...attrs })); }
    });
    parts.push(h("rect", { key: "g", x: 1, y: 21, width: width - 2, height: 4, className: "pic-gauge" }));
    if (row.completeness !== null)
      parts.push(h("rect", { key: "c", x: 1, y: 21, width: (width - 2) * Math.max(0, Math.min(1, row.completeness)), height: 4, className: "pic-full" }));
    return h("svg", { width, height: 28, viewBox: `0 0 ${width} 28`, role: "img", "aria-label": props.value, className: "session-picture" },
      h("title", { key: "w" }, props.value), parts);
  };

  // Called from a column definition: worst flag first, then completeness.
  const functions = (window.dashAgGridFunctions = window.dashAgGridFunctions || {});
  functions.jointbookByWorst = (valueA, valueB, nodeA, nodeB) =>
    nodeA.data.worst - nodeB.data.worst || nodeA.data.open - nodeB.data.open
    || (nodeB.data.completeness || 0) - (nodeA.data.completeness || 0);

  // --- what the page does without the server ----------------------------------
  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.jointbook_library = {
    find(words, options) {
      jb.address.write({ find: words });
      return Object.assign({}, options, { quickFilterText: words || "" });
    },
    chosen(rows) {
      const n = (rows || []).length, all = n ? n + " chosen" : "all";
      return [n !== 1, n !== 1, n !== 2, "Learn from " + all, "Check " + all];
    },
    go(replay, review, compare, rows) {
      const hit = (window.dash_clientside.callback_context.triggered[0] || {}).prop_id || "";
      const page = { "library-replay.n_clicks": "replay", "library-review.n_clicks": "review",
        "library-compare.n_clicks": "compare" }[hit];
      if (page && rows && rows.length) {
        const names = [...rows].sort((x, y) => (x.start < y.start ? -1 : 1)).map((r) => r.session);
        jb.address.go(page, page === "compare" ? { session: names[0], with: names[1] } : { session: names[0] });
      }
      return window.dash_clientside.no_update;
    },
  };

  // --- files dropped in --------------------------------------------------------
  const HEADER = { "X-Jointbook": "intake" };
  function say(list, text, share, state) {
    list.className = "intake-file " + (state || "");
    list.querySelector(".intake-text").textContent = text;
    const bar = list.querySelector("progress");
    bar.value = share;
    bar.hidden = state === "done" || state === "refused";
  }
  function sendOne(batch, file, row) {
    return new Promise(function (resolve) {
      const request = new XMLHttpRequest();
      row.querySelector("button").onclick = () => request.abort();
      request.open("POST", `/data/library/intake/${batch}?name=` + encodeURIComponent(file.name));
      Object.entries(HEADER).forEach(([k, v]) => request.setRequestHeader(k, v));
      request.upload.onprogress = (e) => say(row, `${(e.loaded / 1e6).toFixed(1)} of ${(file.size / 1e6).toFixed(1)} MB`, e.loaded / (file.size || 1));
      const end = function (state, text) {
        say(row, text, 1, state);
        row.querySelector("button").remove();
        resolve(state === "done");
      };
      request.onload = () => request.status === 200 ? end("done", "received") : end("refused", request.responseText || "not taken");
      request.onerror = () => end("refused", "the connection broke; drop the file again");
      request.onabort = () => end("refused", "stopped");
      request.send(file);
    });
  }
  async function sendAll(files) {
    const list = document.getElementById("library-intake-files");
    if (!files.length || !list) return;
    list.replaceChildren();
    const answer = await fetch("/data/library/intake", { method: "POST", headers: HEADER });
    if (!answer.ok) { list.textContent = await answer.text(); return; }
    const batch = (await answer.json()).batch;
    let arrived = 0;
    for (const file of files) {
      const row = document.createElement("li");
      const name = document.createElement("span"), text = document.createElement("span");
      const bar = document.createElement("progress"), stop = document.createElement("button");
      name.textContent = file.name;
      text.className = "intake-text";
      bar.max = 1;
      bar.setAttribute("aria-label", "sending " + file.name);
      stop.textContent = "Cancel";
      stop.className = "quiet";
      stop.type = "button";
      row.append(name, bar, text, stop);
      list.append(row);
      if (await sendOne(batch, file, row)) arrived += 1;
    }
    if (arrived) window.dash_clientside.set_props("library-intake", { data: { batch, at: Date.now() } });
  }
  jb.intake = sendAll;

  const zone = (event) => event.target.closest && event.target.closest("#library-drop");
  ["dragenter", "dragover"].forEach((kind) => document.addEventListener(kind, function (event) {
    const at = zone(event);
    if (!at) return;
    event.preventDefault();
    at.classList.add("over");
  }));
  document.addEventListener("dragleave", function (event) {
    const at = zone(event);
    if (at && !at.contains(event.relatedTarget)) at.classList.remove("over");
  });
  document.addEventListener("drop", function (event) {
    const at = zone(event);
    if (!at) return;
    event.preventDefault();
    at.classList.remove("over");
    sendAll([...event.dataTransfer.files]);
  });
  document.addEventListener("click", function (event) {
    if (event.target.id !== "library-choose") return;
    const chooser = document.createElement("input");
    chooser.type = "file";
    chooser.multiple = true;
    chooser.accept = event.target.dataset.accept || "";
    chooser.onchange = () => sendAll([...chooser.files]);
    chooser.click();
  });
})();
