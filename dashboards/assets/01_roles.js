// Dash's own lists say to a screen reader what they are, and the keyboard
// stops where something acts. Seen with Dash 4.4: a dropdown focuses a hidden
// field instead of its button, and radio buttons call themselves options.
(function () {
  "use strict";
  let count = 0;
  function mend() {
    document.querySelectorAll("input.dash-dropdown-focus-target[tabindex='0']").forEach(function (field) {
      field.tabIndex = -1;
      const button = field.parentElement.querySelector("button.dash-dropdown");
      if (!button) return;
      button.tabIndex = 0;
      const label = button.closest("label");
      if (!label) return;
      label.id = label.id || "label-" + (count += 1);
      button.setAttribute("aria-labelledby", label.id); // its words and the value
    });
    document.querySelectorAll(".dash-radioitems[role=listbox]").forEach((list) => list.setAttribute("role", "radiogroup"));
    document.querySelectorAll(".dash-radioitems-inline[role=option], .dash-radioitems label[role=option]").forEach(function (label) {
      label.removeAttribute("role");
      label.removeAttribute("aria-selected");
    });
    document.querySelectorAll(".dash-radioitems label[aria-selected]").forEach((label) => label.removeAttribute("aria-selected"));
    document.querySelectorAll(".dash-radioitems[role=radiogroup]:not([aria-label])").forEach(function (list) {
      const group = list.closest("[role=group][aria-label]");
      if (group) list.setAttribute("aria-label", group.getAttribute("aria-label"));
    });
  }
  new MutationObserver(mend).observe(document.documentElement, {
    childList: true, subtree: true, attributes: true, attributeFilter: ["aria-selected"],
  });
})();
