// The grid's program is the largest file of all and one page needs it. Until
// a grid is to be drawn a stand-in answers to its name; it loads the program
// and then draws the grid through it.
(function () {
  "use strict";
  let asked = null, kept = null;
  const where = () => (document.getElementById("grid-program") || {}).content || "";
  const AFTER_MS = 4000; // the page that was asked for comes first

  function program() {
    asked = asked || new Promise(function (resolve, reject) {
      const script = document.createElement("script");
      script.src = where();
      script.onload = function () {
        if (window.dash_ag_grid.AgGrid === Grid) return script.onerror();
        kept = window.dash_ag_grid.AgGrid;
        // The stand-in stays in place: another component there would start the grid anew.
        window.dash_ag_grid = Object.assign({}, window.dash_ag_grid, { AgGrid: Grid });
        resolve(kept);
      };
      script.onerror = function () { asked = null; reject(new Error("the grid's program did not arrive; load the page again")); };
      document.head.append(script);
    });
    return asked;
  }

  function Grid(props) {
    const React = window.React;
    const [there, setThere] = React.useState(kept !== null);
    const [trouble, setTrouble] = React.useState("");
    React.useEffect(function () {
      if (there) return;
      let here = true;
      program().then(() => here && setThere(true), (error) => here && setTrouble(error.message));
      return () => { here = false; };
    }, []);
    if (there) return React.createElement(kept, props);
    return React.createElement("div", { id: props.id, role: "status", className: props.className, style: props.style }, trouble || "The grid is coming…");
  }
  // Dash waits with a grid's callbacks until this is true.
  Object.defineProperty(Grid, "_dashprivate_isLazyComponentReady", {
    get: () => (kept ? true : program().then(() => true)),
  });

  window.dash_ag_grid = window.dash_ag_grid || { AgGrid: Grid };
  // Another page may lead to the library: the file is fetched, not run, once this one is done.
  window.addEventListener("load", () => setTimeout(function () {
    if (asked || !where()) return;
    document.head.append(Object.assign(document.createElement("link"), { rel: "prefetch", as: "script", href: where() }));
  }, AFTER_MS));
  // Not before React is there, which the program needs while it starts.
  document.addEventListener("DOMContentLoaded", function () {
    if (["", "library"].includes(location.pathname.replace(/^\/|\/$/g, ""))) program();
  });
})();
