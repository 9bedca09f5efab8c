// The handbook: find entries by any word, in the browser.
(function () {
  "use strict";
  // The entries that were not asked for, fetched once and set as they are.
  let text = null;
  async function fill(place) {
    if (!place || place.childElementCount) return;
    text = text || fetch("/data/handbook/entries.html").then((answer) => (answer.ok ? answer.text() : Promise.reject(answer.status)));
    try { place.innerHTML = await text; } catch { text = null; place.textContent = "The entries did not arrive: open the page again."; }
  }
  document.addEventListener("click", function (event) {
    const link = event.target.closest && event.target.closest(".entry h3 > a.term");
    if (!link || event.ctrlKey || event.metaKey || event.shiftKey || event.button) return;
    event.preventDefault();
    window.jointbook.address.go("handbook", { entry: link.closest(".entry").dataset.entry });
  });
  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.jointbook_handbook = {
    async find(text) {
      await fill(document.getElementById("handbook-entries"));
      // A kind is found as it is read and as it is kept: brake slip, brake-slip.
      const plain = (said) => said.toLowerCase().replace(/-/g, " ");
      const words = plain(text || "").split(/\s+/).filter(Boolean);
      let shown = 0;
      document.querySelectorAll(".entry").forEach(function (entry) {
        const says = plain(entry.textContent);
        const twice = entry.closest("[data-asked]"); // the one asked for stands above already
        const hit = words.every((w) => says.includes(w)) && !(twice && twice.dataset.asked === entry.dataset.entry);
        entry.hidden = !hit;
        // Who looks for a word is after the entry of that name, before all that only mention it.
        const name = plain((entry.querySelector("h2, h3") || entry).textContent);
        entry.classList.toggle("lesser", words.length > 0 && !words.every((w) => name.includes(w)));
        shown += hit;
      });
      document.querySelectorAll(".handbook-group").forEach(function (group) {
        group.hidden = !group.querySelector(".entry:not([hidden])");
        group.classList.toggle("lesser", words.length > 0 && !group.querySelector(".entry:not([hidden], .lesser)"));
      });
      const all = new Set([...document.querySelectorAll(".entry")].map((e) => e.dataset.entry)).size;
      if (words.length && window.jointbook.address.page() === "handbook") window.jointbook.address.write({ find: text });
      return words.length ? shown + " of " + all + " entries" : all + " entries";
    },
  };
})();
