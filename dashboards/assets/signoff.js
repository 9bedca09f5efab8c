// Sign-off: the address follows the picker; G goes back to the queue.
(function () {
  "use strict";
  const jb = window.jointbook;
  jb.keys.add("sign-off", {
    g: () => jb.address.go("queue", { session: jb.address.read().session }),
  });
  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.jointbook_signoff = {
    open(session) {
      jb.address.go("sign-off", { session });
      return window.dash_clientside.no_update;
    },
  };
})();
