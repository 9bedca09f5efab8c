// Compare: pickers and spans go into the address.
(function () {
  "use strict";
  const none = () => window.dash_clientside.no_update;
  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.jointbook_compare = {
    open(first, second, clicks, a1, b1, a2, b2, starts) {
      const hit = (window.dash_clientside.callback_context.triggered[0] || {}).prop_id || "";
      const words = { session: first, with: second };
      if (hit.startsWith("compare-apply")) {
        if (!clicks) return none();
        const at = (i, s) => (s === null || s === undefined || s === "" ? "" : new Date(Date.parse(starts[i]) + 1000 * s).toISOString());
        Object.assign(words, { from: at(0, a1), to: at(0, b1), from2: at(1, a2), to2: at(1, b2) });
      }
      window.jointbook.address.go("compare", words);
      return none();
    },
    chosen(of, joint, pair, by) {
      window.jointbook.address.write({ of, joints: joint, pair: pair === 1 ? "" : pair, by: by === "current_a" ? "" : by });
      return none();
    },
  };
})();
