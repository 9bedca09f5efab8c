// The library: pictures in the grid, files dropped in.
(function () {
  "use strict";
  // Enter on a row opens its session; in a link, box or filter it does what it does there.
  document.addEventListener("keydown", function (event) {
    if (event.key !== "Enter" || event.ctrlKey || event.metaKey || event.altKey) return;
    const cell = event.target.closest && event.target.closest("#library-grid .ag-row");
    if (!cell || event.target.closest("a, button, input, .ag-header")) return;
    const session = cell.getAttribute("row-id");
    if (!session) return;
    event.preventDefault(); event.stopPropagation();
    window.jointbook.address.go("replay", { session });
  }, true);
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

  // One slot a joint: a mark for its worst flag, and under it a gauge as long
  // as its log is complete. Completeness is asked for the rows in sight only.
  // One stroke a step of severity, as theme.SEVERITY_SHAPES: none is a joint's mark.
  const strokes = (x, n, name) => ["path", { className: name, d: [...Array(n).keys()].map((k) => `M${x - 2 + 4 * (k - (n - 1) / 2)} 4.5 l4 5.5 -4 5.5`).join(" ") }];
  const DRAW = {
    1: (x) => strokes(x, 1, "pic-note"),
    2: (x) => strokes(x, 2, "pic-look"),
    3: (x) => strokes(x, 3, "pic-act"),
  };
  const PITCH = 20, GAUGE = 16, SHORT = 0.995;
  const shares = new Map(), waiting = new Map();
  let soon = null;
  function askShares() {
    soon = null;
    const asked = [...waiting.keys()].slice(0, 60), told = asked.map((k) => waiting.get(k));
    asked.forEach((k) => waiting.delete(k));
    if (waiting.size) soon = setTimeout(askShares, 60);
    fetch("/data/library/completeness?" + asked.map((k) => "session=" + encodeURIComponent(k)).join("&"))
      .then((answer) => (answer.ok ? answer.json() : {}), () => ({}))
      .then(function (found) {
        asked.forEach(function (k, i) {
          if (found[k]) shares.set(k, found[k]);
          told[i].forEach((tell) => tell(found[k] || {}));
        });
      });
  }
  // The joints' shares of a session: {} until known, and for a log that cannot be read.
  function useShares(session) {
    const [known, tell] = window.React.useState(shares.get(session) || {});
    window.React.useEffect(function () {
      if (shares.has(session)) { tell(shares.get(session)); return; }
      if (!waiting.has(session)) waiting.set(session, new Set());
      waiting.get(session).add(tell);
      soon = soon || setTimeout(askShares, 60);
      return () => { const one = waiting.get(session); if (one) one.delete(tell); if (one && !one.size) waiting.delete(session); };
    }, [session]);
    return known;
  }
  cells.SessionPicture = function (props) {
    const h = make(), row = props.data, known = useShares(row.session);
    const joints = ((props.context || {}).places || {})[row.arm] || [];
    const width = (row.marks.length || 1) * PITCH;
    const parts = [], missing = [];
    [...row.marks].forEach(function (mark, i) {
      const x = PITCH / 2 + i * PITCH;
      parts.push(h("line", { key: "t" + i, x1: x - 3, x2: x + 3, y1: 10, y2: 10, className: "pic-idle" }));
      if (DRAW[mark]) { const [tag, attrs] = DRAW[mark](x); parts.push(h(tag, { key: "m" + i, ...attrs })); }
      const share = known[joints[i]];
      if (share === undefined || share === null) return; // not known: no gauge
      if (share < SHORT) missing.push(`${joints[i]} ${Math.floor(1000 * share) / 10} %`);
      const lacking = share < SHORT ? Math.max(4, GAUGE * (1 - share)) : 0; // a pixel's worth would not be seen
      parts.push(h("rect", { key: "g" + i, x: x - GAUGE / 2, y: 21.5, width: GAUGE, height: 4, className: "pic-gauge" + (lacking ? " pic-short" : "") }));
      parts.push(h("rect", { key: "c" + i, x: x - GAUGE / 2, y: 21.5, width: GAUGE - lacking, height: 4, className: "pic-full" }));
    });
    const words = props.value + (missing.length ? "; by joint: " + missing.join(", ") : "");
    return h("svg", { width, height: 28, viewBox: `0 0 ${width} 28`, role: "img", "aria-label": words, className: "session-picture" },
      h("title", { key: "w" }, words), parts);
  };

  // The grid's own script comes after the page when the library is reached from another one.
  function show(grid, shown) {
    const ready = window.dash_ag_grid && window.dash_ag_grid.getApiAsync;
    if (ready) ready(grid).then((api) => api.setColumnsVisible(MORE, shown));
    else if (document.getElementById(grid)) setTimeout(() => show(grid, shown), 50);
  }

  // Called from a column definition: worst flag first, then completeness.
  const functions = (window.dashAgGridFunctions = window.dashAgGridFunctions || {});
  functions.jointbookByWorst = (valueA, valueB, nodeA, nodeB) =>
    nodeA.data.worst - nodeB.data.worst || nodeA.data.open - nodeB.data.open
    || (nodeB.data.completeness || 0) - (nodeA.data.completeness || 0);

  const MORE = ["base_end", "payload_kg", "rate_hz", "source"], WIDE = 1780;

  // --- what the page does without the server ----------------------------------
  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.jointbook_library = {
    find(words, options) {
      jb.address.write({ find: words });
      return Object.assign({}, options, { quickFilterText: words || "" });
    },
    // What a session's list can do without at 1280 px: shown where there is room, or when asked for.
    more(presses, grid) {
      const wide = window.innerWidth >= WIDE, shown = presses % 2 ? !wide : wide;
      show(grid, shown);
      return shown ? "Fewer columns" : "More columns";
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
    if (!arrived) return;
    window.dash_clientside.set_props("library-intake", { data: { batch, at: Date.now() } });
    // The sheet opens below the table of sessions: it comes into sight as soon as it is there.
    const show = (tries) => {
      const title = document.getElementById("intake-title");
      if (title) title.closest("section").scrollIntoView({ block: "start" });
      else if (tries) setTimeout(() => show(tries - 1), 250);
    };
    show(120);
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
  // The zone's one field for files. It stands in the page: of one that stands nowhere the choice
  // can be lost, because nothing but the system's open window holds it.
  function field(accept) {
    const drop = document.getElementById("library-drop");
    let chooser = drop.querySelector("input[type=file]");
    if (chooser) return chooser;
    chooser = document.createElement("input");
    chooser.type = "file";
    chooser.multiple = chooser.hidden = true;
    chooser.accept = accept;
    chooser.onchange = function () {
      const files = [...chooser.files];
      chooser.value = ""; // the same file chosen once more is a choice too
      sendAll(files);
    };
    drop.append(chooser);
    return chooser;
  }
  document.addEventListener("click", function (event) {
    if (event.target.id === "library-choose") field(event.target.dataset.accept || "").click();
  });
})();
