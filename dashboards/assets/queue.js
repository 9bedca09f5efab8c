// The queue: the address follows, the keys go from finding to finding, and the
// first thing to be chosen has the focus when a new finding is there.
(function () {
  "use strict";
  const none = () => window.dash_clientside.no_update;
  const jb = window.jointbook;
  function step(by) {
    const rows = [...document.querySelectorAll(".queue-row")];
    // a press while a finding is on its way counts from where that one will be
    const here = rows.findIndex((r) => (aim ? r.href === aim : r.classList.contains("here")));
    const next = rows[Math.min(Math.max(here + by, 0), rows.length - 1)];
    if (next && next !== rows[here]) next.click();
  }
  let wanted = false, aim = "";
  document.addEventListener("click", function (event) {
    const row = event.target.closest && event.target.closest(".queue-row");
    if (row) { wanted = true; aim = row.href; }
  }, true);
  function into() {
    const first = document.querySelector("#finding-verdict input:checked, #finding-verdict input");
    const heading = document.getElementById("finding-title");
    const to = first || heading;
    if (to) { to.focus({ preventScroll: true }); wanted = false; }
  }
  new MutationObserver(function () {
    if (wanted && arrived() && NAMES.includes(jb.address.page()) && document.querySelector("#finding-verdict input, .queue-main .message")) into();
  }).observe(document.documentElement, { childList: true, subtree: true });
  // The finding that was asked for by its row is there, or none was asked for so.
  function arrived() {
    const here = document.querySelector(".queue-row.here");
    if (aim && here && here.href !== aim) return false;
    aim = "";
    return true;
  }
  // The session in hand: of the finding that is open, else the one just done with.
  function signing() {
    const link = document.querySelector('.queue-main a[href^="/sign-off"]');
    return link ? new URL(link.href).searchParams.get("session") : jb.address.read().session;
  }
  const keys = {
    n: () => step(1), p: () => step(-1), v: into,
    e: () => { const link = document.querySelector('.queue-main a[href^="/event"]'); if (link) link.click(); },
    g: () => { if (signing()) { jb.signing = true; jb.address.go("sign-off", { session: signing() }); } },
  };
  const NAMES = ["", "queue"]; // it is what people come to first, without a name in the address
  NAMES.forEach((name) => jb.keys.add(name, keys));
  let ours = false; // Dash's tick boxes and choices turn when Enter is let go
  document.addEventListener("keyup", function (event) {
    if (event.key === "Enter" && ours) { ours = false; event.stopPropagation(); }
  }, true);
  document.addEventListener("keydown", function (event) {
    if (event.key !== "Enter" || !(event.ctrlKey || event.metaKey)) return;
    const button = { queue: "finding-keep", "": "finding-keep", "sign-off": "signoff-sign" }[jb.address.page()];
    const there = button && document.getElementById(button);
    if (!there) return;
    event.preventDefault();
    event.stopPropagation();
    ours = true;
    setTimeout(() => there.click(), 30); // after what the last key did to its field
  }, true);
  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.jointbook_queue = {
    filter(arm, whose) {
      const session = whose === "session" ? signing() : "";
      jb.address.go("queue", { session, arm, whose: whose === "all" ? "" : whose });
      return none();
    },
    moved(to) {
      if (!to) return none();
      jb.address.write({ session: to.session, flag: to.flag });
      wanted = true;
      setTimeout(into, 60);
      return none();
    },
  };
})();
