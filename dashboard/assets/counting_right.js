/* The form in which a run is put right: what it ran on, in which air, with which settings. */
(function (count) {
  "use strict";

  // A text that is typed into a field of the draft.
  function typed(name, text, given) {
    var input = count.el("input", Object.assign(
      {
        id: "count-" + name,
        type: "text",
        autocomplete: "off",
        maxlength: "400",
        oninput: function () {
          count.set(name, input.value);
          if (count.AIR.indexOf(count.columnOf(name)) >= 0) {
            count.set(name.split(".")[0] + ".air_at", count.minute(count.wall()));
          }
          count.changed(true);
        }
      },
      given
    ));
    input.value = count.fields()[name] || "";
    return count.labelled(text, input);
  }

  // In the order of the tally sheet, so that counts on paper are typed from the top down.
  function conditions(number) {
    var first = [
      typed("run", "run", { maxlength: "64" }),
      typed(number + ".started", "started", { maxlength: "25" }),
      chosen(number + ".purpose", "ran for", count.offer.purposes, count.offer.purposes[0], true)
    ];
    if (count.field(number, "purpose") === "burn-in") {
      first.push(typed(number + ".proof", "burn-in by name"));
    }
    var air = ["humidity_pct", "temperature_c", "prepared"];
    function fieldsOf(which) {
      return count.offer.asked
        .filter(function (one) {
          return !one.of_stretch && one.name !== "stock" && one.name !== "lot" && which(one.name);
        })
        .map(function (one) { return askedField(number, one); });
    }
    function isAir(name) {
      return air.indexOf(name) >= 0;
    }
    function isSetting(name) {
      return name.slice(0, 4) === "set_";
    }
    var watched = count.el("fieldset", { class: "field watched" }, [count.el("legend", {}, "watched for")].concat(count.KINDS.map(function (one) {
      var box = count.el("input", { id: "count-watched-" + one.kind, type: "checkbox", onchange: function () {
        var off = (count.field(number, "off") || []).filter(function (kind) { return kind !== one.kind; });
        if (!box.checked) {
          off.push(one.kind);
        }
        count.set(number + ".off", off.length ? off.sort() : "");
        count.changed();
      } });
      box.checked = (count.field(number, "off") || []).indexOf(one.kind) < 0;
      return count.el("label", {}, [box, " " + one.kind]);
    })));
    var empty = typed(number + ".empty", "bins left empty", { placeholder: "none", onchange: function () { count.draw(); } });
    var made = [
      count.el("div", { class: "press" }, first),
      count.el("div", { class: "press" }, fieldsOf(isAir)),
      count.asks("stock") || count.asks("lot") ? papersForm(number) : "",
      count.el("div", { class: "press" }, [typed(number + ".from", "counter at the start", { inputmode: "numeric", placeholder: "0" }), empty, watched]),
      count.el("div", { class: "press" }, fieldsOf(isSetting)),
      count.el("div", { class: "press" }, fieldsOf(function (name) { return !isAir(name) && !isSetting(name); }))
    ];
    var mine = count.run().content.faults;
    var none = !Object.keys(mine).some(function (name) { return mine[name].stretch === number; });
    if (number > 1 && none) {
      made.push(count.el("p", {}, count.word("Nothing was changed after all: go back to stretch " + (number - 1), count.nothingChanged, { id: "count-nothing" })));
    }
    return count.el("div", { class: "right", id: "count-form" }, made);
  }

  function askedField(number, one) {
    if (one.only) {
      return chosen(number + "." + one.name, one.label, [""].concat(one.choices), "", false);
    }
    var given = one.numeric ? { inputmode: "decimal" } : {};
    var parts = [];
    if (one.choices.length) {
      given.list = "count-levels-" + one.name;
      parts.push(count.el("datalist", { id: given.list }, one.choices.map(function (choice) { return count.el("option", { value: choice }); })));
    }
    var made = typed(number + "." + one.name, one.label, given);
    parts.forEach(function (part) { made.append(part); });
    return made;
  }

  function chosen(name, text, choices, usual, redraw) {
    var select = count.el("select", { id: "count-" + name, onchange: function () {
      count.set(name, select.value === usual ? "" : select.value);
      count.changed(!redraw);
    } }, choices.map(function (choice) {
      return count.el("option", { value: choice }, choice || "not noted");
    }));
    select.value = count.fields()[name] || usual;
    return count.labelled(text, select);
  }

  // The body of the job lies in most bins; a cover, tabs or an insert in those that are named.
  function papersForm(number) {
    var name = number + ".papers";
    var papers = count.field(number, "papers") || [["", "", ""]];
    function cell(index, place, text, given) {
      var input = count.el("input", Object.assign({
        id: "count-paper-" + index + "-" + place,
        type: "text",
        autocomplete: "off",
        maxlength: "100",
        oninput: function () {
          papers[index][place] = input.value;
          count.set(name, papers);
          count.changed(true);
        }
      }, given));
      input.value = papers[index][place];
      return count.labelled(text, input);
    }
    var rows = papers.map(function (paper, index) {
      var parts = index ? [cell(index, 0, "in bin", { placeholder: "1", class: "short" })] : [];
      if (count.asks("stock")) {
        parts.push(cell(index, 1, index ? "stock" : papers.length > 1 ? "stock of the other bins" : "stock of all bins", { list: "count-stocks" }));
      }
      if (count.asks("lot")) {
        parts.push(cell(index, 2, "lot", {}));
      }
      if (index) {
        parts.push(count.word("take out", function () {
          papers.splice(index, 1);
          count.set(name, papers);
          count.changed();
        }, { "aria-label": "Take out paper " + (index + 1) }));
      }
      return count.el("div", { class: "press" }, parts);
    });
    return count.el("div", {}, [
      count.el("datalist", { id: "count-stocks" }, count.offer.stocks.map(function (stock) {
        return count.el("option", { value: stock.code }, stock.told);
      }))
    ].concat(rows, [
      count.word("Another paper in some bins: a cover, tabs, an insert", function () {
        papers.push(["", "", ""]);
        count.set(name, papers);
        count.changed();
        count.focus("count-paper-" + (papers.length - 1) + "-0");
      }, { id: "count-paper-more" })
    ]));
  }

  Object.assign(count, {
    conditions: conditions,
    typed: typed
  });
})((window.feedtallyCount = window.feedtallyCount || {}));
