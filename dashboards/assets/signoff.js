// Sign-off: the address follows the picker; G goes back to what waits; what is
// asked next has the focus when somebody comes from the queue, and after signing.
(function () {
  "use strict";
  const jb = window.jointbook;
  const here = () => jb.address.page() === "sign-off";
  let signed = false;
  const waits = () => document.querySelector('.signoff-form a[href*="whose=session"]');
  const seen = (found) => found && found.offsetParent;
  function into() {
    const next = [document.querySelector("#signoff-read input"), waits(), document.getElementById("signoff-remark")].find(seen);
    if (next) { next.focus(); jb.signing = false; }
  }
  new MutationObserver(function () {
    const report = document.querySelector("#signoff-said a");
    if (signed && report) { signed = false; report.focus(); }
    if (jb.signing && here() && document.querySelector(".signoff-form")) into();
  }).observe(document.documentElement, { childList: true, subtree: true });
  document.addEventListener("click", function (event) {
    const link = event.target.closest && event.target.closest('a[href^="/sign-off"]');
    if (link && !here()) jb.signing = true;
    if (event.target.id === "signoff-sign") signed = true;
  }, true);
  document.addEventListener("input", function () { jb.signing = false; }, true); // whoever writes stays there
  jb.keys.add("sign-off", {
    v: into,
    g: () => { if (waits()) waits().click(); else jb.address.go("queue", {}); },
  });
  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.jointbook_signoff = {
    open(session) {
      jb.signing = true;
      jb.address.go("sign-off", { session });
      return window.dash_clientside.no_update;
    },
  };
})();
