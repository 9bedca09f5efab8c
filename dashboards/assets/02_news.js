// What others put on record while a page is open: asked for every few seconds, by a number.
// A page says by its mark (`components/news.py`) what it shows and as of which entry. A tab
// that nobody sees asks nothing; it asks at once when it is seen again.
(function () {
  "use strict";
  const jb = (window.jointbook = window.jointbook || {});
  const GONE_MS = 30000; // where the server does not answer
  const news = (jb.news = { every_ms: 3000, asked: 0 });
  let of = "", after = 0, session = "", timer = 0, under_way = null;
  let told = [], names = {};
  const set = (id, props) => window.dash_clientside.set_props(id, props);
  const there = (id) => document.getElementById(typeof id === "string" ? id : JSON.stringify(id, Object.keys(id).sort()));
  const seen = () => document.visibilityState === "visible";
  const part = (type, props) => ({ props, type, namespace: "dash_html_components" });

  function later(ms) {
    clearTimeout(timer);
    timer = seen() ? setTimeout(look, ms) : 0;
  }
  function look() {
    const mark = document.querySelector(".news-mark");
    const now = mark ? mark.dataset.session + " " + mark.dataset.after : "";
    if (now !== of) { // another page, or the same made anew: it shows all there was
      of = now;
      told = []; names = {};
      if (mark) { after = Number(mark.dataset.after); session = mark.dataset.session; }
      tell();
    }
    if (!mark || !seen()) return later(news.every_ms);
    if (!under_way) ask(now);
  }
  // Not by `fetch`: a sign-in that has run out is told at the next act, not by leaving the page.
  function ask(whose) {
    const me = document.getElementById("reviewer-name");
    const words = new URLSearchParams({ session, after, me: me ? me.value : "" });
    const request = (under_way = new XMLHttpRequest());
    news.asked += 1;
    request.open("GET", "/data/record/news?" + words);
    request.timeout = GONE_MS;
    request.responseType = "json";
    request.onloadend = function () {
      under_way = null;
      const got = request.status === 200 ? request.response : null;
      if (got && whose === of) take(got);
      later(got ? news.every_ms : GONE_MS);
    };
    request.send();
  }
  function take(got) {
    after = got.last;
    const came = got.came || [];
    if (!came.length) return;
    const verdicts = came.filter((n) => n.kind === "verdict");
    const player = jb.replay && jb.replay.player;
    if (player) {
      player.showVerdicts(Object.fromEntries(verdicts.flatMap((n) => n.flags.map((flag) => [flag, n.holds]))));
      if (got.pins) {
        const old = new Set(player.view.pins.map((pin) => pin.pin));
        const mine = ((there("reviewer-name") || {}).value || "").trim();
        const by = new Set(came.filter((n) => n.kind === "pin" && !n.mine).map((n) => n.who));
        for (const pin of got.pins) if (!old.has(pin.pin) && pin.author !== mine && by.has(pin.author)) names[pin.pin] = pin.author;
        player.showPins(got.pins.map((pin) => Object.assign(pin, { by: names[pin.pin] })));
      }
    }
    for (const n of verdicts) for (const flag of n.flags) {
      const id = { flag, session: n.session, type: "verdict-line" };
      if (there(id)) set(Object.assign({}, id, { type: "verdict-news" }), { data: n.seq });
    }
    if (there("event-pins") && came.some((n) => n.kind === "pin" && !n.mine)) set("event-news", { data: got.last });
    const others = came.filter((n) => !n.mine);
    if (there("queue-list") && others.length) set("queue-news", { data: got.last });
    if (there("finding-history") && others.length) set("finding-news", { data: got.last });
    told = told.concat(others);
    tell();
  }
  function tell() {
    if (!there("news") || !window.dash_clientside) return;
    if (!told.length) return void (there("news").textContent && set("news", { children: null }));
    const last = told[told.length - 1], more = told.length - 1;
    const said = last.who + " " + last.said + ", " + last.at + (more ? " (and " + more + " more since this page was opened)" : "");
    set("news", { children: [part("Strong", { children: "Meanwhile " }), part("A", { children: said, href: last.href })] });
  }
  document.addEventListener("visibilitychange", function () {
    if (seen()) look(); else { clearTimeout(timer); timer = 0; }
  });
  window.addEventListener("load", () => later(news.every_ms));
})();
