// Review: the address follows the pickers.
(function () {
  "use strict";
  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.jointbook_review = {
    open(session, show) {
      window.jointbook.address.go("review", { session, show: show === "all" ? "" : show });
      return window.dash_clientside.no_update;
    },
  };
})();
