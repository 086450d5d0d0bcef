/* When the sign-in has ended, the reader is led to it, and back to where he was afterwards. */
(function () {
  "use strict";
  var typed = false;
  var told = false;

  // What was typed into a page, or counted on the log page, is not left behind unasked.
  function note(within) {
    return function (event) {
      typed = typed || Boolean(event.target.closest && event.target.closest(within));
    };
  }
  document.addEventListener("input", note("#page"));
  document.addEventListener("click", note("#log-page button"), true);

  function signIn() {
    return "/sign-in?next=" + encodeURIComponent(window.location.pathname + window.location.search);
  }

  function tell() {
    if (told) {
      return;
    }
    told = true;
    if (!typed) {
      window.location.assign(signIn());
      return;
    }
    var line = document.createElement("p");
    line.className = "warn signed-out";
    line.setAttribute("role", "alert");
    line.append("Your sign-in has ended, so nothing was done. What you typed is still here: ");
    var link = document.createElement("a");
    link.href = "/sign-in";
    link.target = "_blank";
    link.rel = "noopener";
    link.textContent = "sign in in a new window";
    link.addEventListener("click", function () {
      line.remove();
      told = false;
    });
    line.append(link, ", then go on here.");
    document.body.prepend(line);
    line.scrollIntoView();
  }

  var ask = window.fetch;
  window.fetch = function () {
    return ask.apply(window, arguments).then(function (answer) {
      if (answer.status === 401) {
        tell();
      }
      return answer;
    });
  };
})();
