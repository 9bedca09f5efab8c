// What the gate refuses is told: a write that takes another role in the notice area, a
// sign-in that has run out by going to where one signs in again. Every request of a page is
// Dash's own, so this is the one place where a script can stand around it: `jb.requests`.
(function () {
  "use strict";
  const jb = (window.jointbook = window.jointbook || {});
  let send = window.fetch.bind(window);
  window.fetch = (...words) => send(...words);
  jb.requests = {
    // wrap(send, address, how) asks by send(address, how); the last one added is the outermost.
    around(wrap) { const inner = send; send = (...words) => wrap(inner, ...words); },
  };
  jb.requests.around(async function (asked, ...words) {
    const answer = await asked(...words);
    const from = new URL(answer.url || location.href, location.href);
    if (from.origin !== location.origin) return answer;
    if (answer.status === 401) {
      location.assign("/sign-in?next=" + encodeURIComponent(location.pathname + location.search));
    } else if (answer.status === 403) {
      const said = "Not done: " + (await answer.clone().text());
      const shown = { props: { children: said, className: "message trouble" }, type: "Div",
        namespace: "dash_html_components" };
      if (window.dash_clientside) window.dash_clientside.set_props("notice", { children: shown });
    }
    return answer;
  });
})();
