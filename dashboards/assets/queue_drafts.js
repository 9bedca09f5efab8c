// What a person has begun to write about a finding comes back when they come back to it:
// after a look at the event, another finding, or the page loaded again. It stays in this
// tab and is dropped when the finding is kept.
(function () {
  "use strict";
  const jb = window.jointbook;
  const TEXTS = ".finding-form textarea";
  const MOST = 100000;
  let drawn = null, of = "";
  const form = () => document.querySelector(".finding-form");
  function keyOf(session, finding) {
    const who = document.querySelector(".signed-in"); // a second person's sign-in in this tab finds nothing
    return "jointbook-draft " + (who ? who.textContent : "") + " " + session + "/" + finding;
  }
  function key() {
    const shown = document.querySelector(".queue-main [data-finding]");
    return shown ? keyOf(shown.dataset.session, shown.dataset.finding) : "";
  }
  const decided = () => (document.querySelector(".finding-history") || {}).textContent || "";
  function texts() {
    return Object.fromEntries([...document.querySelectorAll(TEXTS)].map((field) => [field.id, field.value]));
  }
  document.addEventListener("input", function (event) {
    if (!event.target.closest || !event.target.closest(".finding-form") || event.target.tagName !== "TEXTAREA" || !key()) return;
    if (event.target.value.length > MOST) return; // no form takes it either
    try { sessionStorage.setItem(key(), JSON.stringify({ texts: texts(), decided: decided() })); } catch (e) { /* private window */ }
  }, true);
  function bring() {
    let kept = null;
    try { kept = JSON.parse(sessionStorage.getItem(key())); } catch (e) { /* private window */ }
    if (!kept) return;
    const now = texts();
    const begun = Object.keys(kept.texts).filter((id) => id in now && kept.texts[id] !== now[id]);
    if (!begun.length) return;
    const set = window.dash_clientside.set_props;
    if (kept.decided !== decided()) { // theirs stands in the form; mine is shown, not put over it
      set("finding-begun", { children: "Somebody has decided since you began to write: " + begun.map((id) => "“" + kept.texts[id] + "”").join(", ") });
      return;
    }
    begun.forEach((id) => set(id, { value: kept.texts[id] }));
    set("finding-begun", { children: "What you had begun to write is here again." });
  }
  jb.drafts = {
    bring,
    key: keyOf,
    // By keys taken when the form was sent: when it is kept another finding may be shown.
    drop(keys) { try { keys.forEach((one) => sessionStorage.removeItem(one)); } catch (e) { /* private window */ } },
  };
  new MutationObserver(function () {
    const here = form(), name = here ? key() : "";
    if (here === drawn && name === of) return;
    drawn = here; of = name;
    if (here) setTimeout(bring, 0);
  }).observe(document.documentElement, { childList: true, subtree: true });
})();
