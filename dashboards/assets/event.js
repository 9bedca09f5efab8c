// The event page: zoom and choices go into the address, a click into the form.
(function () {
  "use strict";
  const none = () => window.dash_clientside.no_update;
  let shown = null;
  const press = (words) => () => {
    const link = [...document.querySelectorAll(".event a")].find((a) => a.textContent === words);
    if (link) link.click();
  };
  // A part is filled when it is opened for the first time, and draws its figures at its own width.
  const PARTS = ["likes", "scores", "others", "brakes", "sensors"];
  const asked = new WeakMap(); // fold: the layout in which it was asked for, each layout has a name
  const foldOf = (anchor) => { const at = document.getElementById(anchor); return at && at.closest("details"); };
  function ask() {
    for (const name of PARTS) {
      const fold = foldOf(name);
      const layout = fold && fold.closest("[data-layout]").dataset.layout;
      if (!fold || !fold.open || asked.get(fold) === layout) continue;
      asked.set(fold, layout);
      window.dash_clientside.set_props("event-asked-" + name, { data: Date.now() });
    }
  }
  document.addEventListener("toggle", function (event) {
    if (!event.target.classList || !event.target.classList.contains("event-fold") || !event.target.open) return;
    ask();
    window.dispatchEvent(new Event("resize"));
  }, true);
  const part = (anchor) => {
    const at = document.getElementById(anchor), fold = foldOf(anchor);
    if (fold) fold.open = true;
    if (at) at.scrollIntoView({ block: "start" });
  };
  document.addEventListener("click", function (event) {
    const link = event.target.closest && event.target.closest(".event-contents a");
    if (!link) return;
    event.preventDefault();
    part(decodeURIComponent(link.hash.slice(1)));
  });
  window.jointbook.keys.add("event", { n: press("Next flag"), p: press("Previous flag"), r: press("Step through it in the replay"), m: () => part("likes"), o: () => part("others"),
    g: () => { const at = window.jointbook.address.read(); window.jointbook.address.go("queue", { session: at.session, flag: at.flag }); } });
  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.jointbook_event = {
    // A new window, after a zoom by hand; the server then sends its detail.
    zoomed(change, what) {
      if (!change || !what) return none();
      const keys = Object.keys(change);
      const low = keys.find((k) => /^xaxis\d*\.range\[0\]$/.test(k));
      if (low) {
        const zero = Date.parse(what.start);
        const at = (s) => new Date(zero + 1000 * s).toISOString();
        const next = { from: at(change[low]), to: at(change[low.replace("[0]", "[1]")]) };
        if (shown && shown.from === next.from && shown.to === next.to) return none();
        shown = next;
        if (what.flag) window.jointbook.address.write(next);
        return next;
      }
      if (keys.some((k) => /^xaxis\d*\.autorange$/.test(k)) && shown) {
        shown = null;
        if (what.flag) window.jointbook.address.write({ from: null, to: null });
        return {};
      }
      return none();
    },
    picked(click) {
      return click && click.points && click.points.length ? +click.points[0].x.toFixed(3) : none();
    },
    chosen(by, k, rate) {
      window.jointbook.address.write({ by: by === "current_a" ? "" : by, k: k === "5" ? "" : k, rate });
      return none();
    },
    // Another event: of the parts that stand open (the page before had them so) each is filled anew.
    arrived() {
      for (const after of [0, 300]) setTimeout(ask, after); // once its parts are in the document
      return none();
    },
    open(session) {
      window.jointbook.address.go("event", { session });
      return none();
    },
  };
})();
