// The handbook: find entries by any word, in the browser.
(function () {
  "use strict";
  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.jointbook_handbook = {
    find(text) {
      // A kind is found as it is read and as it is kept: brake slip, brake-slip.
      const plain = (said) => said.toLowerCase().replace(/-/g, " ");
      const words = plain(text || "").split(/\s+/).filter(Boolean);
      let shown = 0;
      document.querySelectorAll(".entry").forEach(function (entry) {
        const says = plain(entry.textContent);
        const hit = words.every((w) => says.includes(w));
        entry.hidden = !hit;
        shown += hit;
      });
      document.querySelectorAll(".handbook-group").forEach(function (group) {
        group.hidden = !group.querySelector(".entry:not([hidden])");
      });
      const all = document.querySelectorAll(".entry").length;
      if (words.length && window.jointbook.address.page() === "handbook") window.jointbook.address.write({ find: text });
      return words.length ? shown + " of " + all + " entries" : all + " entries";
    },
  };
})();
