/* Mending a stored run, and taking an intake back. */
(function (count) {
  "use strict";

  function openMend(box) {
    box.querySelector("button").disabled = true;
    var query = new URLSearchParams({ tower: box.dataset.ofTower, run: box.dataset.ofRun });
    count.ask(box.dataset.run + "?" + query, "GET").then(function (got) {
      if (!got.told.rows) {
        box.append(count.el("p", { class: "warn", role: "alert" }, count.why(got).join(" ")));
        box.querySelector("button").disabled = false;
        return;
      }
      mendForm(box, got.told);
    });
  }

  function mendForm(box, shown) {
    var inputs = [];
    var widths = shown.columns.map(function (_, column) {
      return Math.min(30, shown.rows.reduce(function (most, row) {
        return Math.max(most, row.cells[column].length + 1);
      }, 6));
    });
    var rows = shown.rows.map(function (row, index) {
      return count.el("tr", {}, [count.el("th", { scope: "row", class: "name" }, row.at)].concat(row.cells.map(function (cell, column) {
        var input = count.el("input", {
          type: "text",
          autocomplete: "off",
          maxlength: "400",
          "aria-label": shown.columns[column].label + ", " + row.at
        });
        input.value = cell;
        input.size = widths[column];
        // A line break does not stand in an input; who changes nothing changes it not.
        inputs.push({ input: input, was: input.value, row: index, column: shown.columns[column].name });
        return count.el("td", {}, input);
      })));
    });
    var trouble = count.el("ul", { class: "warn plain", role: "alert" });
    function send() {
      var changes = inputs
        .filter(function (one) { return one.input.value !== one.was; })
        .map(function (one) { return { row: one.row, column: one.column, value: one.input.value }; });
      var body = { tower: box.dataset.ofTower, run: box.dataset.ofRun, stood: shown.stood, changes: changes };
      count.ask(box.dataset.run, "POST", body).then(function (got) {
        if (got.told.told) {
          // Those counts stand no longer.
          document.getElementById("log-run-stands").remove();
          box.replaceChildren(count.el("p", { class: "finding", role: "status", tabindex: "-1" }, got.told.told), count.el("p", {}, count.button("Look at it as it stands", again)));
          box.firstChild.focus();
          return;
        }
        trouble.replaceChildren.apply(trouble, count.why(got).map(function (one) { return count.el("li", {}, one); }));
        trouble.scrollIntoView({ block: "nearest" });
      });
    }
    box.replaceChildren(
      count.el("p", { class: "note" }, "Type over what is wrong. An empty cell means not logged; off means that nothing was watching."),
      count.el("div", { class: "wide" }, count.el("table", { class: "say small mending" }, [
        count.el("thead", {}, count.el("tr", {}, [count.el("th", { scope: "col", class: "name" }, "bin")].concat(shown.columns.map(function (column) {
          return count.el("th", { scope: "col" }, column.label);
        })))),
        count.el("tbody", {}, rows)
      ])),
      trouble,
      count.el("div", { class: "press" }, [
        count.button("Store the correction", send, { id: "mend-store" }),
        count.word("Leave it as it is", again)
      ])
    );
    inputs[0].input.focus();
  }

  // The page of this address once more.
  function again() {
    window.location.reload();
  }

  function takeBack(pressed) {
    var number = pressed.dataset.takeBack;
    if (!pressed.dataset.sure) {
      pressed.dataset.sure = String(Date.now());
      pressed.textContent = "Yes, take intake " + number + " back";
      return;
    }
    if (Date.now() - Number(pressed.dataset.sure) < 700) {
      return; // The second half of a double click.
    }
    count.ask(document.getElementById("log-intakes").dataset.takeBack + "/" + number, "POST", {}).then(function (got) {
      if (got.told.told) {
        again();
        return;
      }
      pressed.replaceWith(count.el("span", { class: "warn", role: "alert" }, count.why(got).join(" ")));
    });
  }

  document.addEventListener("click", function (event) {
    var pressed = event.target.closest && event.target.closest("[data-mend], button[data-take-back]");
    if (pressed && pressed.dataset.mend) {
      openMend(pressed.parentNode);
    } else if (pressed) {
      takeBack(pressed);
    }
  });
})((window.feedtallyCount = window.feedtallyCount || {}));
