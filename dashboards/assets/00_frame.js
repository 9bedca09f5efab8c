// The frame in the browser: address, keys, theme, help. Everything of ours
// lives under `window.jointbook`.
(function () {
  "use strict";
  const jb = (window.jointbook = window.jointbook || {});

  // --- address: state in the query string, written without a new page ------
  const ORDER = ["session", "from", "to", "at", "joints", "flag"];
  const CARRIED = ["session", "from", "to", "at", "joints"];
  jb.address = {
    read() {
      return Object.fromEntries(new URLSearchParams(location.search));
    },
    // Change some keys; null or "" removes one.
    write(changes) {
      const words = Object.assign(jb.address.read(), changes);
      history.replaceState(history.state, "", location.pathname + jb.address.search(words));
    },
    search(words) {
      const keys = [...ORDER, ...Object.keys(words).filter((k) => !ORDER.includes(k))];
      const text = keys
        .filter((k) => words[k] !== null && words[k] !== undefined && words[k] !== "")
        .map((k) => k + "=" + encodeURIComponent(words[k]).replace(/%3A/g, ":").replace(/%2C/g, ","))
        .join("&");
      return text ? "?" + text : "";
    },
    // Go to a page of ours; the page is rendered.
    go(page, words) {
      history.pushState({}, "", "/" + page + jb.address.search(words));
      window.dispatchEvent(new PopStateEvent("popstate", { state: {} }));
    },
    page() {
      return location.pathname.replace(/^\/|\/$/g, "");
    },
  };

  document.addEventListener("click", function (event) {
    const thumb = event.target.closest && event.target.closest("a.thumb");
    if (!thumb || event.ctrlKey || event.metaKey || event.shiftKey || event.button) return;
    event.preventDefault();
    const now = jb.address.read();
    const kept = Object.fromEntries(CARRIED.filter((k) => now[k]).map((k) => [k, now[k]]));
    jb.address.go(thumb.dataset.page, kept);
  });

  // --- theme ----------------------------------------------------------------
  const DARK = matchMedia("(prefers-color-scheme: dark)"); // one for all: it is asked many times a frame
  jb.theme = {
    dark() {
      const chosen = document.documentElement.dataset.theme;
      return chosen ? chosen === "dark" : DARK.matches;
    },
    turn() {
      const next = jb.theme.dark() ? "light" : "dark";
      document.documentElement.dataset.theme = next;
      try { localStorage.setItem("jointbook-theme", next); } catch (e) { /* private window */ }
      document.dispatchEvent(new CustomEvent("jointbook-theme", { detail: next }));
    },
    // The value of a colour of theme.py: colour("ink").
    colour(name) {
      const which = jb.theme.dark() ? "dark" : "light";
      if (known.which !== which) known = { which };
      if (!known[name]) known[name] = getComputedStyle(document.documentElement).getPropertyValue("--" + name).trim();
      return known[name];
    },
  };
  let known = {};
  DARK.addEventListener("change", function () {
    document.dispatchEvent(new CustomEvent("jointbook-theme"));
  });

  // --- keys -----------------------------------------------------------------
  const maps = {};
  jb.keys = {
    // Keys are event.key in lower case, "shift+arrowleft" with Shift for arrows.
    add(page, map) { maps[page] = Object.assign(maps[page] || {}, map); },
  };
  let singleKeys = true;
  try { singleKeys = localStorage.getItem("jointbook-single-keys") !== "off"; } catch (e) { /* private window */ }
  const singleKeysOn = () => singleKeys;
  function turnSingleKeys(button) {
    singleKeys = !singleKeys;
    button.setAttribute("aria-pressed", String(singleKeys));
    try { localStorage.setItem("jointbook-single-keys", singleKeys ? "on" : "off"); } catch (e) { /* private window */ }
  }
  function typing(target) {
    return target.closest && target.closest("input:not([type=range]):not([type=checkbox]):not([type=radio]), textarea, select, [contenteditable=true], [role=combobox], [role=grid], .ag-root");
  }
  function help(show) {
    const sheet = document.getElementById("help");
    if (!sheet) return;
    const open = show === undefined ? sheet.hidden : show;
    if (open === !sheet.hidden) return;
    sheet.hidden = !open;
    document.getElementById("single-keys").setAttribute("aria-pressed", String(singleKeys));
    if (open) { // this page's own keys first, seen from their beginning
      const page = jb.address.page() || (document.querySelector("a.thumb") || { dataset: {} }).dataset.page;
      const own = sheet.querySelector(`table[data-where="${page}"]`);
      if (own) own.parentElement.prepend(own);
      help.back = document.activeElement;
      document.getElementById("help-close").focus({ preventScroll: true });
      sheet.querySelector(".help-sheet").scrollTop = 0;
    }
    else if (help.back) help.back.focus();
  }
  jb.help = help;
  document.addEventListener("keydown", function (event) {
    const sheet = document.getElementById("help");
    if (sheet && !sheet.hidden && event.key === "Tab") {
      const stops = [...sheet.querySelectorAll("input, button")];
      const i = stops.indexOf(document.activeElement) + (event.shiftKey ? -1 : 1);
      stops[(i + stops.length) % stops.length].focus();
      event.preventDefault();
      return;
    }
    if (event.key === "Escape") return help(false);
    if (event.ctrlKey || event.metaKey || event.altKey || typing(event.target)) return;
    if (!singleKeysOn() || event.isComposing) return;
    const key = (event.shiftKey && event.key.startsWith("Arrow") ? "shift+" : "") + event.key.toLowerCase();
    if ((key === " " || key === "enter") && event.target.closest("button, a, summary, label")) return;
    if (key.endsWith("arrowleft") || key.endsWith("arrowright")) {
      if (event.target.closest("[role=slider]:not(#rp-strip), input:not([type=checkbox]), [role=tablist], [role=radiogroup]")) return;
    }
    const act = (maps[jb.address.page()] || {})[key] || { "?": () => help(), t: jb.theme.turn }[key];
    if (!act || (sheet && !sheet.hidden && key !== "?")) return;
    event.preventDefault();
    act(event);
  });
  document.addEventListener("click", function (event) {
    const id = event.target.id;
    if (id === "frame-help") help(true);
    if (id === "help-close" || id === "help") help(false);
    if (id === "frame-theme") jb.theme.turn();
    if (id === "single-keys") turnSingleKeys(event.target);
  });

  // --- which thumb is current, and the tab's title ---------------------------
  function mark() {
    const page = jb.address.page() || (document.querySelector("a.thumb") || { dataset: {} }).dataset.page;
    if (document.documentElement.dataset.page !== page) document.documentElement.dataset.page = page;
    document.querySelectorAll("a.thumb").forEach(function (thumb) {
      if (thumb.dataset.page === page) {
        thumb.setAttribute("aria-current", "page");
        const title = thumb.textContent + " · jointbook";
        if (document.title !== title) document.title = title; // setting it is a mutation too
      } else thumb.removeAttribute("aria-current");
    });
  }
  new MutationObserver(mark).observe(document.documentElement, { childList: true, subtree: true });
})();
