/* Light or dark: as the system is set, unless one was chosen here; the choice is remembered. */
(function () {
  "use strict";
  var KEY = "feedtally-scheme";

  function chosen() {
    try {
      return window.localStorage.getItem(KEY) || "system";
    } catch (refused) {
      return "system"; // Storage may be switched off; the system's setting still holds.
    }
  }

  function apply(scheme) {
    if (scheme === "system") {
      delete document.documentElement.dataset.scheme;
    } else {
      document.documentElement.dataset.scheme = scheme;
    }
    document.querySelectorAll("[data-choose-scheme]").forEach(function (button) {
      button.setAttribute("aria-pressed", String(button.dataset.chooseScheme === scheme));
    });
  }

  apply(chosen());

  document.addEventListener("click", function (event) {
    var button = event.target.closest && event.target.closest("[data-choose-scheme]");
    if (!button) {
      return;
    }
    try {
      window.localStorage.setItem(KEY, button.dataset.chooseScheme);
    } catch (refused) {
      // It holds until the page is left.
    }
    apply(button.dataset.chooseScheme);
  });

  // The buttons are drawn later than this runs.
  document.addEventListener("DOMContentLoaded", function () {
    var watch = new MutationObserver(function () {
      if (document.querySelector("[data-choose-scheme]")) {
        watch.disconnect();
        apply(chosen());
      }
    });
    watch.observe(document.body, { childList: true, subtree: true });
  });
})();
