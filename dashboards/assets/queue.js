// The queue: the address follows, the keys go from finding to finding, and the
// first thing to be chosen has the focus when a new finding is there.
(function () {
  "use strict";
  const none = () => window.dash_clientside.no_update;
  const jb = window.jointbook;
  function step(by) {
    const rows = [...document.querySelectorAll(".queue-row")];
    // a press while a finding is on its way counts from where that one will be
    const here = rows.findIndex((r) => (aim ? finding(r.href) === aim : r.classList.contains("here")));
    const next = rows[Math.min(Math.max(here + by, 0), rows.length - 1)];
    if (next && next !== rows[here]) next.click();
  }
  // Where the focus is to go: once, when the finding that was asked for is drawn. A
  // person who has gone on by then is left where they are.
  let wanted = false, aim = "";
  const finding = (link) => { const a = new URL(link).searchParams; return a.get("session") + "/" + a.get("flag"); };
  const seen = (found) => (found && found.offsetParent ? found : null);
  const shown = () => document.querySelector('.queue-main a.button[href^="/event"]');
  document.addEventListener("click", function (event) {
    const row = event.target.closest && event.target.closest(".queue-row");
    if (!row || event.ctrlKey || event.metaKey || event.shiftKey) return;
    if (!wanted && shown() && finding(shown().href) === finding(row.href)) return void into();
    wanted = true; aim = finding(row.href);
  }, true);
  function into() {
    const first = document.querySelector("#finding-verdict input:checked, #finding-verdict input");
    const to = seen(first) || document.getElementById("finding-title") || document.querySelector('.queue-main a[href^="/sign-off"]');
    if (to) to.focus({ preventScroll: true });
  }
  // The finding that was asked for is there, or that nothing waits is said.
  function arrived() {
    const there = shown();
    if (aim ? !there || aim !== finding(there.href) : !document.querySelector(".queue-main .message")) return false;
    aim = "";
    return true;
  }
  function settle() {
    if (!wanted || !NAMES.includes(jb.address.page()) || !arrived()) return;
    wanted = false;
    release();
    into();
  }
  new MutationObserver(settle).observe(document.documentElement, { childList: true, subtree: true });
  ["input", "pointerdown"].forEach((act) => document.addEventListener(act, function (event) {
    if (!wanted || !event.target.closest || !event.target.closest(".finding-form, .queue-head")) return;
    wanted = false; aim = "";
    release();
  }, true));
  // While a form is on its way to the record nothing is written into it: its letters would
  // go with it. Nor is the rest of a word taken for choices and keys of the next finding.
  // That it is on its way stands on the page, so another page knows nothing of it.
  const HELD = '.queue-body[aria-busy="true"]';
  const busy = () => Boolean(document.querySelector(HELD));
  let swallowed = -1e9, until = 0, late = 0, released = -1e9, underWay = 0;
  const PAUSE_MS = 700;
  function hold() {
    drawn.disconnect();
    clearTimeout(late);
    late = setTimeout(overdue, 20000); // whatever happens, a form is not shut for ever
    const body = document.querySelector(".queue-body");
    if (body) body.setAttribute("aria-busy", "true");
  }
  const overdue = () => (underWay ? hold() : release()); // a slow machine's answer is still waited for
  function release() {
    const held = document.querySelectorAll(HELD), now = performance.now();
    if (held.length) released = now;
    held.forEach((body) => body.removeAttribute("aria-busy"));
    if (held.length) until = now - swallowed < PAUSE_MS ? now + PAUSE_MS : 0; // in the middle of a word
  }
  function swallow(event) {
    const letter = event.type === "beforeinput" || event.key.length === 1;
    if (event.ctrlKey || event.metaKey || event.altKey || event.key === "Escape") return;
    if (busy()) swallowed = letter ? event.timeStamp : swallowed;
    else if (event.key === "Tab") { until = 0; return; } // whoever goes on has stopped that word
    // pressed while the page was busy, brought when it no longer is: of that word too
    else if (letter && event.timeStamp <= released) until = Math.max(until, released + PAUSE_MS);
    else if (!letter || event.timeStamp > until) return;
    event.preventDefault();
    event.stopImmediatePropagation();
  }
  document.addEventListener("keydown", swallow, true);
  document.addEventListener("beforeinput", swallow, true);
  document.addEventListener("pointerdown", () => { until = 0; }, true);
  // What was refused or asked stands below the form: it comes into sight when it is drawn.
  function show() {
    const ask = seen(document.getElementById("finding-ask")), said = document.getElementById("finding-said");
    if (ask || said) (ask || said).scrollIntoView({ block: "nearest" });
  }
  const drawn = new MutationObserver(show);
  function showDrawn() {
    show(); // the same words once more are drawn already
    ["finding-said", "finding-ask"].map((id) => document.getElementById(id)).filter(Boolean).forEach((place) =>
      drawn.observe(place, { childList: true, subtree: true, characterData: true, attributes: true, attributeFilter: ["hidden"] }));
  }
  // The findings that a form is kept for: the one shown, and those that are alike and ticked.
  function keptBy(sent) {
    const value = (id) => ((sent.state || []).flat().find((given) => given.id === id) || {}).value;
    const hit = sent.changedPropIds || [], what = value("queue-what") || {};
    if (hit.includes("finding-take.n_clicks")) return [];
    const also = hit.includes("finding-theirs.n_clicks") ? [] : value("finding-also") || [];
    return [what.finding, ...also].map((name) => jb.drafts.key(what.session, name));
  }
  jb.requests.around(async function (fetched, address, how) {
    if (!how || typeof how.body !== "string" || !how.body.includes('"..queue-list.children')) return fetched(address, how);
    const begun = keptBy(JSON.parse(how.body));
    hold();
    let moves = false;
    underWay += 1;
    try {
      const answer = await fetched(address, how);
      moves = answer.status === 200 && "queue-moved" in ((await answer.clone().json()).response || {});
      if (moves) jb.drafts.drop(begun);
      return answer;
    } finally {
      underWay -= 1;
      if (!moves) { release(); showDrawn(); } // refused, asked or not reached: the form is as it was
    }
  });
  document.addEventListener("click", function (event) {
    if (event.target.closest && event.target.closest("#finding-keep, #finding-mine")) hold();
  }, true);
  // The session in hand: the one said to be done with, while that stands; else of the finding that is open.
  function signing() {
    const link = document.querySelector('#finding-said a[href^="/sign-off"]') || document.querySelector('.queue-main a[href^="/sign-off"]');
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
    if (busy()) return; // once is enough
    if (button === "finding-keep") hold();
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
      aim = to.flag ? to.session + "/" + to.flag : "";
      settle();
      setTimeout(jb.drafts.bring, 0); // a form drawn anew for the same finding
      return none();
    },
  };
})();
