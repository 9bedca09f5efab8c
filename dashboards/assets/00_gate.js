// What the gate refuses is told: a write that takes another role, is too large or was not heard in the notice area, a
// sign-in that has run out by going to where one signs in again. Callbacks are sent by Dash, so
// the one place where a script can stand around them is `fetch`: `jb.requests`. What our scripts
// fetch themselves passes here too; a log that is sent up (library.js) tells of itself.
(function () {
  "use strict";
  const jb = (window.jointbook = window.jointbook || {});
  let send = window.fetch.bind(window);
  window.fetch = (...words) => send(...words);
  jb.requests = {
    // wrap(send, address, how) asks by send(address, how); the last one added is the outermost.
    around(wrap) { const inner = send; send = (...words) => wrap(inner, ...words); },
  };
  function tell(why) {
    const shown = { props: { children: "Not done: " + why + ".", className: "message trouble" }, type: "Div",
      namespace: "dash_html_components" };
    if (window.dash_clientside) window.dash_clientside.set_props("notice", { children: shown });
  }
  // A form's callback: set off by a button or by Enter, with what fields hold beside it.
  function ofForm(body) {
    const sent = JSON.parse(body), parts = (sent.state || []).flat();
    return (sent.changedPropIds || []).some((part) => /\.n_(clicks|submit)$/.test(part)) && parts.some((part) => part.property === "value");
  }
  jb.requests.around(async function (asked, ...words) {
    let answer;
    try {
      answer = await asked(...words);
    } catch (error) { // not reached, or shut off in the middle of what was sent
      const body = (words[1] || {}).body;
      if (String(words[0]).includes("_dash-update-component")) {
        tell(typeof body === "string" && ofForm(body)
          ? "the server did not answer, or what was sent is too large for it; what you typed is still here"
          : "the server did not answer; what is shown is as it was before");
      }
      throw error;
    }
    const from = new URL(answer.url || location.href, location.href);
    if (from.origin !== location.origin) return answer;
    if (answer.status === 401) {
      location.assign("/sign-in?next=" + encodeURIComponent(location.pathname + location.search));
    } else if (answer.status === 403 || answer.status === 413) {
      tell(await answer.clone().text());
    }
    return answer;
  });
})();
