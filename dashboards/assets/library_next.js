// After logs were taken in, and after they were checked, the next step has the focus,
// unless the person has gone elsewhere by then.
(function () {
  "use strict";
  const CHECK = ".check-taken:not([disabled])";
  function stepAfter(button) {
    return button.id === "library-take" ? CHECK : button.matches(".check-taken") ? ".taken-next a" : "";
  }
  let awaited = "";
  document.addEventListener("click", function (event) {
    const button = event.target.closest && event.target.closest("button");
    if (button) awaited = stepAfter(button);
  }, true);
  document.addEventListener("input", function () { awaited = ""; }, true);
  new MutationObserver(function () {
    const next = awaited && document.querySelector(awaited);
    if (!next) return;
    awaited = "";
    const here = document.activeElement; // the button that was pressed is gone, or is shut
    if (!here || here === document.body || here.matches(".check-taken")) next.focus();
  }).observe(document.documentElement, { childList: true, subtree: true });
})();
