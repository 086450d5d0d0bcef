/* What the browser does itself: links inside the pages, saving a figure, fitting it to paper. */
(function () {
  "use strict";

  function plots() {
    return Array.prototype.slice.call(document.querySelectorAll(".js-plotly-plot"));
  }

  // Where the reader was before a page was drawn anew: back there afterwards, or at its beginning.
  var left = null;

  function place(link) {
    var group = link.closest("[role=group]");
    return {
      // The filter and a page may each have a choice of the same name.
      filter: Boolean(link.closest("#filter")),
      group: group && group.getAttribute("aria-label"),
      text: link.textContent
    };
  }

  function goBack(to) {
    var found = to.id
      ? document.getElementById(to.id)
      : Array.prototype.filter.call(document.querySelectorAll("a.stay"), function (link) {
          var here = place(link);
          return here.filter === to.filter && here.group === to.group && here.text === to.text;
        })[0];
    (found || document.getElementById("page")).focus({ preventScroll: true });
  }

  // A link inside the pages changes the address without loading everything anew.
  document.addEventListener("click", function (event) {
    var link = event.target.closest && event.target.closest("a.inside");
    if (!link || event.button || event.ctrlKey || event.metaKey || event.shiftKey || event.altKey) {
      return;
    }
    event.preventDefault();
    left = link.classList.contains("stay") ? place(link) : { text: null };
    window.dash_clientside.set_props("url", { pathname: link.pathname, search: link.search });
    if (left.text === null) {
      document.getElementById("filter").open = false;
      window.scrollTo(0, 0);
    }
  });

  // A form that writes the address is drawn anew with the page: the reader goes on where it was sent.
  function sent(field) {
    left = { id: field.id };
  }

  document.addEventListener("keydown", function (event) {
    if (event.key === "Enter" && event.target.matches && event.target.matches(".typing input[id]")) {
      sent(event.target);
    }
  });
  document.addEventListener("click", function (event) {
    var button = event.target.closest && event.target.closest(".typing button.main[id]");
    if (button) {
      sent(button);
    }
  });

  document.addEventListener("click", function (event) {
    var button = event.target.closest && event.target.closest("button[data-save]");
    if (!button) {
      return;
    }
    var plot = document.querySelector("#" + button.dataset.of + " .js-plotly-plot");
    var named = (plot._context.toImageButtonOptions || {}).filename || "feedtally";
    withType(plot).then(function (drawing) {
      var type = "image/svg+xml";
      if (button.dataset.save === "svg") {
        keep(new Blob([drawing], { type: type }), named + ".svg");
        return;
      }
      var picture = new Image();
      picture.onload = function () {
        var canvas = document.createElement("canvas");
        canvas.width = 2 * plot.offsetWidth;
        canvas.height = 2 * plot.offsetHeight;
        canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
        canvas.toBlob(function (blob) {
          keep(blob, named + ".png");
        });
      };
      picture.src = "data:" + type + "," + encodeURIComponent(drawing);
    });
  });

  // A saved figure has its type in it: it is read where that is not installed, and a picture made
  // of it sees no font of the page.
  function withType(plot) {
    var size = { format: "svg", width: plot.offsetWidth, height: plot.offsetHeight };
    return Promise.all([
      window.Plotly.toImage(plot, size),
      fetch("/assets/fonts/public-sans.woff2").then(function (answer) {
        return answer.arrayBuffer();
      })
    ]).then(function (got) {
      var bytes = "";
      new Uint8Array(got[1]).forEach(function (byte) {
        bytes += String.fromCharCode(byte);
      });
      var style =
        "<style>@font-face{font-family:'Public Sans';font-weight:100 900;" +
        "src:url(data:font/woff2;base64," + window.btoa(bytes) + ")}</style>";
      return decodeURIComponent(got[0].slice(got[0].indexOf(",") + 1)).replace(/(<svg[^>]*>)/, "$1" + style);
    });
  }

  document.addEventListener("click", function (event) {
    if (event.target.closest && event.target.closest("button[data-print]")) {
      window.print();
    }
  });

  function keep(blob, name) {
    var link = document.createElement("a");
    link.href = URL.createObjectURL(blob);
    link.download = name;
    link.click();
    window.setTimeout(function () {
      URL.revokeObjectURL(link.href);
    }, 10000);
  }

  // A figure keeps its size on the screen when it is printed, so it is made to fit the sheet, and
  // a little lower, so that the page does; words around it keep the room that they need.
  var PAPER = 670;
  var LOWER = 0.72;
  var onPaper = false;
  window.addEventListener("beforeprint", function () {
    if (onPaper) {
      return;
    }
    onPaper = true;
    plots().forEach(function (plot) {
      var inside = plot._fullLayout._size.h;
      window.Plotly.relayout(plot, {
        width: PAPER,
        height: plot._fullLayout.height - (1 - LOWER) * inside,
        autosize: false
      });
    });
  });
  window.addEventListener("afterprint", function () {
    onPaper = false;
    plots().forEach(function (plot) {
      window.Plotly.relayout(plot, { width: null, height: null, autosize: true });
    });
  });

  // Log files, dropped on the log page or chosen there. They are sent to be checked; where they wait
  // then is told by the address, and the page shows what was found.
  var sending = false;

  // The log page, where files can be let go on it.
  function logPage() {
    return document.getElementById("log-files") && document.getElementById("log-page");
  }

  function say(id, text) {
    document.getElementById(id).textContent = text;
  }

  function tooMuch(files) {
    var most = document.getElementById("log-files").dataset;
    var whole = 0;
    var large = files.filter(function (file) {
      whole += file.size;
      return file.size > most.mostOfAFile;
    })[0];
    if (large) {
      return large.name + " is larger than " + most.mostOfAFile / 1e6 + " MB";
    }
    if (whole > most.mostAtOnce) {
      return "These files are larger than " + most.mostAtOnce / 1e6 + " MB together";
    }
    return files.length > most.mostFiles ? "These are more than " + most.mostFiles + " files" : "";
  }

  function check(list) {
    var page = document.getElementById("log-files");
    var files = Array.prototype.slice.call(list);
    if (!page || sending || !files.length) {
      return;
    }
    var much = tooMuch(files);
    if (much) {
      say("log-refused", much + ": take that in with feedtally add FILE, which takes any size.");
      return;
    }
    var form = new FormData();
    files.forEach(function (file) {
      form.append("files", file, file.name);
    });
    sending = true;
    say("log-refused", "");
    say("log-working", "checking " + (files.length === 1 ? files[0].name : files.length + " files") + " …");
    fetch(page.dataset.check, { method: "POST", headers: { "X-Feedtally": "log" }, body: form })
      .then(
        function (answer) {
          var plain = /^text\/plain/.test(answer.headers.get("Content-Type"));
          if (answer.ok) {
            return answer.json();
          }
          return (plain ? answer.text() : Promise.resolve("")).then(function (told) {
            throw new Error(told || "They could not be checked; the reason is printed where feedtally was started.");
          });
        },
        function () {
          // A folder was dropped, a file has changed since it was chosen, or the server has gone.
          throw new Error("They could not be sent: choose files and no folder, and see that feedtally still runs.");
        }
      )
      .then(
        function (told) {
          if (!logPage()) {
            return;
          }
          var query = new URLSearchParams(window.location.search);
          query.set("files", told.files);
          left = { text: null };
          window.dash_clientside.set_props("url", { pathname: window.location.pathname, search: "?" + query });
          window.scrollTo(0, 0);
        },
        function (trouble) {
          if (logPage()) {
            say("log-refused", trouble.message);
          }
        }
      )
      .then(function () {
        sending = false;
        if (logPage()) {
          say("log-working", "");
        }
      });
  }

  // Held here: one that nothing holds may be gone before anything was chosen.
  var choice = null;
  document.addEventListener("click", function (event) {
    if (!(event.target.closest && event.target.closest("#log-page button.choose"))) {
      return;
    }
    choice = document.createElement("input");
    choice.type = "file";
    choice.multiple = true;
    choice.accept = ".csv,.tsv,.txt,text/csv,text/plain,text/tab-separated-values,application/vnd.ms-excel";
    choice.addEventListener("change", function () {
      check(choice.files);
    });
    choice.click();
  });

  function withFiles(event) {
    return Boolean(
      logPage() && event.dataTransfer && Array.prototype.indexOf.call(event.dataTransfer.types, "Files") >= 0
    );
  }

  function hover(is) {
    var page = logPage();
    if (page) {
      page.classList.toggle("over", is);
    }
  }

  // Anywhere in the window will do: a file let go beside the place must not replace the page.
  document.addEventListener("dragover", function (event) {
    if (withFiles(event)) {
      event.preventDefault();
      event.dataTransfer.dropEffect = "copy";
      hover(true);
    }
  });
  document.addEventListener("dragleave", function (event) {
    if (!event.relatedTarget) {
      hover(false);
    }
  });
  document.addEventListener("drop", function (event) {
    hover(false);
    if (withFiles(event)) {
      event.preventDefault();
      check(event.dataTransfer.files);
    }
  });

  // What is moved in its own frame can be reached by the keyboard, and then moved by its arrows.
  function frames() {
    document.querySelectorAll("#page .wide, #page .figure, #page pre").forEach(function (frame) {
      if (frame.scrollWidth > frame.clientWidth) {
        frame.tabIndex = 0;
      } else {
        frame.removeAttribute("tabindex");
      }
    });
  }
  // Answers come later than the page, so it is looked again when somebody is about to go on.
  document.addEventListener("keydown", function (event) {
    if (event.key === "Tab") {
      frames();
    }
  }, true);

  // Said to those who hear the page when it is drawn anew: its first line. Of the first page, the
  // screen reader says that itself.
  var told = document.createElement("p");
  told.className = "unseen";
  told.setAttribute("role", "status");
  told.id = "first-line";
  document.body.appendChild(told);
  var first = true;

  function tell() {
    var line = document.querySelector("#page h1");
    told.textContent = first || !line ? "" : line.textContent;
    first = false;
  }

  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.feedtally = {
    // What was pressed is gone once it has done its work: the reader goes on at the first line.
    said: function (told) {
      if (told && document.activeElement === document.body) {
        document.getElementById("page").focus({ preventScroll: true });
        window.scrollTo(0, 0);
      }
    },
    drawn: function (page) {
      if (!page) {
        return;
      }
      document.title = page.title;
      window.setTimeout(tell);
      window.setTimeout(frames);
      if (left) {
        var to = left;
        left = null;
        window.setTimeout(function () {
          goBack(to);
        });
      }
    }
  };
})();
