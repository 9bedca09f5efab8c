// Wear: a point leads to its session, the axis picker to another drawing.
(function () {
  "use strict";
  window.dash_clientside = window.dash_clientside || {};
  const stay = () => window.dash_clientside.no_update;
  function instant(ns) {
    const whole = ns.slice(0, -9), rest = ns.slice(-9).replace(/0+$/, "");
    const text = new Date(Number(whole) * 1000).toISOString().slice(0, 19);
    return text + (rest ? "." + rest : "") + "Z";
  }
  document.addEventListener("click", (event) => { if (event.target.id === "wear-print") window.print(); });
  window.jointbook.keys.add("wear", {
    i: () => { const date = document.getElementById("wear-note-date"); if (date) { date.focus(); date.select(); } },
  });
  window.dash_clientside.jointbook_wear = {
    look(click) {
      const where = click && click.points && click.points[0] && click.points[0].customdata;
      if (!where) return stay();
      window.jointbook.address.go("replay", { session: where[0], at: instant(where[1]), joints: where[2] });
      return stay();
    },
    order(order, before, shown) {
      if (!shown || (order === shown.order && (before || "") === (shown.before || ""))) return stay();
      window.jointbook.address.go("wear", {
        serial: shown.serial, indicator: shown.indicator, against: shown.against === "time" ? "" : shown.against,
        order: order === "attention" ? "" : order, before: before || "",
      });
      return stay();
    },
    against(value, shown) {
      if (!shown || value === shown.against) return stay();
      window.jointbook.address.go("wear", {
        serial: shown.serial, indicator: shown.indicator, against: value === "time" ? "" : value,
      });
      return stay();
    },
  };
})();
