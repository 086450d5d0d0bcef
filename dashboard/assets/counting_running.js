/* The screens of a run: as it goes, and at its end. */
(function (count) {
  "use strict";

  function counterField(number) {
    var name = number + ".to";
    var before = count.field(number, "from") || "0";
    var input = count.el("input", {
      id: "count-" + name,
      type: "text",
      inputmode: "numeric",
      autocomplete: "off",
      maxlength: "15",
      class: "counter",
      oninput: function () {
        // The next stretch begins where this one ends, unless somebody said otherwise.
        var next = number + 1 + ".from";
        if (number < count.stretches() && (count.fields()[next] || "") === (count.fields()[name] || "")) {
          count.set(next, input.value);
          var shown = document.getElementById("count-" + next);
          if (shown) {
            shown.value = input.value;
          }
        }
        count.set(name, input.value);
        count.changed(true);
      }
    });
    input.value = count.fields()[name] || "";
    return count.labelled(
      (number < count.stretches() ? "counter when something was changed" : "counter at the end") + (before === "0" ? "" : ", was " + before),
      input
    );
  }

  function head() {
    var number = count.stretches();
    return [
      count.el("div", { class: "counted" }, [
        count.el("h1", { id: "count-head", tabindex: "-1" }, [
          "Tower " + count.run().content.tower + ", run " + (count.fields().run || "…") + " ",
          count.el("small", {}, (number > 1 ? "stretch " + number + ", " : "") + "since " + count.clock(count.field(number, "started")))
        ]),
        count.el("p", { id: "count-words" }, [words(number) + " ", count.word(count.held.open === "right" ? "Done" : "Put right", function () {
          // It is not over while something in it is put right.
          if (count.held.open === "over") {
            count.set(count.stretches() + ".ended", "");
          }
          count.held.open = count.held.open === "right" ? "" : "right";
          count.changed();
        }, { id: "count-right", "aria-expanded": String(count.held.open === "right") })])
      ]),
      count.run().note ? count.el("p", { class: "warn", role: "alert" }, [count.run().note + " ", count.word("Seen", function () {
        count.run().note = "";
        count.run().problems = [];
        count.keep();
        count.draw();
      }, { id: "count-seen" })]) : ""
    ];
  }

  // What this stretch runs with, as a line of words.
  function words(number) {
    var parts = [];
    var papers = count.field(number, "papers") || [];
    papers.slice(1).concat(papers.slice(0, 1)).forEach(function (paper, index) {
      var body = index === papers.length - 1;
      if (paper[1] || paper[2]) {
        parts.push((paper[1] || "lot " + paper[2]) + (!body ? " in bin " + paper[0] : index ? " in the others" : " in all bins"));
      }
    });
    if (papers.length && !(papers[0][1] || papers[0][2])) {
      parts.push("stock not noted");
    }
    count.offer.asked.forEach(function (one) {
      var value = count.field(number, one.name);
      if (!one.of_stretch && one.name !== "stock" && one.name !== "lot" && one.name !== "note") {
        parts.push(value ? one.label.split(",")[0] + " " + value + (/%$/.test(one.label) ? " %" : "") : one.label.split(",")[0] + " not noted");
      }
    });
    var read = count.field(number, "air_at");
    if (read && (count.field(number, "humidity_pct") || count.field(number, "temperature_c"))) {
      parts.push("air of " + count.when(read));
    }
    if (count.field(number, "empty")) {
      parts.push("bins left empty: " + count.field(number, "empty"));
    }
    (count.field(number, "off") || []).forEach(function (kind) {
      parts.push("nothing watching for " + kind);
    });
    parts.unshift(count.field(number, "purpose") || "production");
    return parts.join(" · ");
  }

  function counting() {
    var number = count.stretches();
    var parts = head();
    var before = number - 1;
    if (before && (count.held.open === "right" || !count.field(before, "to"))) {
      parts.push(count.el("div", { class: "press" }, [counterField(before)].concat(ofStretch(before))));
    }
    if (count.held.open === "right") {
      parts.push(count.conditions(number));
    }
    parts.push(
      count.el("div", { class: "at-tower" }, [
        count.el("div", {}, [bins(number)]),
        count.el("div", {}, [
          count.el("div", { class: "ends" }, [
            latest(),
            count.el("div", { class: "press" }, [
              count.button("I changed something", count.somethingChanged, { id: "count-changed" }),
              count.button("The run is over", count.isOver, { id: "count-over" })
            ])
          ]),
          list()
        ])
      ]),
      count.el("p", { class: "press" }, [
        count.word("Leave it for now", function () {
          count.held.at = null;
          count.held.open = "";
          count.keep();
          count.fetchOffer();
        }, { id: "count-leave" }),
        away()
      ])
    );
    return parts;
  }

  function away() {
    if (count.held.open !== "away") {
      return count.word("Put it away", function () {
        count.held.open = "away";
        count.draw();
        count.focus("count-stay");
      }, { id: "count-put-away" });
    }
    return count.el("span", {}, [
      "Nothing of this run is stored then; for a month it can be brought back. ",
      count.word("No, go on", function () {
        count.held.open = "";
        count.draw();
        count.focus("count-put-away");
      }, { id: "count-stay" }),
      " ",
      count.word("Yes, put it away", count.putAway, { id: "count-away" })
    ]);
  }

  // The tower as the column of bins that it is.
  function bins(number) {
    var off = count.field(number, "off") || [];
    var rows = count.run().content.bins.map(function (bin) {
      return binRow(number, bin, "bin " + bin, off);
    });
    rows.push(binRow(number, null, "bin not noted", off));
    return count.el("ol", { class: "bins", "aria-label": "Bins, from the top of the tower down" }, rows);
  }

  // Numbers of bins such as "9" or "1-3 10".
  function listed(text) {
    var found = [];
    (text || "").split(/[ ,]+/).forEach(function (part) {
      var ends = /^(\d+)(?:-(\d+))?$/.exec(part);
      for (var one = ends ? Number(ends[1]) : 1; one <= (ends ? Number(ends[2] || ends[1]) : 0); one += 1) {
        found.push(one);
      }
    });
    return found;
  }

  function binRow(number, bin, name, off) {
    if (listed(count.field(number, "empty")).indexOf(bin) >= 0) {
      return count.el("li", { class: "unused" }, [count.el("span", { class: "bin" }, name), count.el("span", {}, "left empty")]);
    }
    return count.el("li", {}, [
      count.el("span", { class: "bin" }, bin === null ? "bin ?" : name)
    ].concat(count.KINDS.map(function (one) {
      var so = count.counted(number, bin, one.kind);
      return count.button([count.mark(one.kind), one.one, so ? count.el("b", {}, String(so)) : ""], function () { count.fault(bin, one.kind); }, {
        id: "count-" + one.one + "-" + (bin === null ? "unknown" : bin),
        class: "fault",
        disabled: off.indexOf(one.kind) >= 0,
        "aria-label": one.one + ", " + name + (so ? ", " + so + " so far" : "")
      });
    })));
  }

  function lastFirst() {
    var faults = count.run().content.faults;
    return Object.keys(faults)
      .filter(function (name) { return !faults[name].undone; })
      .sort(function (a, b) { return faults[a].at < faults[b].at ? 1 : faults[a].at > faults[b].at ? -1 : a < b ? 1 : -1; });
  }

  // The last of the list once more, where the list itself is out of sight.
  function latest() {
    var name = lastFirst()[0];
    if (!name) {
      return "";
    }
    var one = count.run().content.faults[name];
    return count.el("p", { class: "latest" }, [
      count.mark(one.kind),
      count.el("span", {}, count.told(one)),
      count.word("undo", function () { count.undo(name); }, { "aria-label": "Undo the last, " + count.told(one) })
    ]);
  }

  // The running list, the last first.
  function list() {
    var faults = count.run().content.faults;
    var names = lastFirst();
    var several = count.stretches() > 1;
    if (!names.length) {
      return count.el("p", { class: "note" }, "No fault yet: tap the bin when one is seen. A zero is written for every bin that had none, so count only while somebody, or the detector, is watching.");
    }
    return count.el("ol", { class: "seen", "aria-label": "Faults of this run, the last first" }, names.map(function (name) {
      var one = faults[name];
      return count.el("li", {}, [
        count.mark(one.kind),
        count.el("span", {}, count.told(one) + (several && one.stretch !== count.stretches() ? ", stretch " + one.stretch : "")),
        count.word("undo", function () { count.undo(name); }, { "aria-label": "Undo " + count.told(one) })
      ]);
    }));
  }

  function ofStretch(number) {
    return count.offer.asked
      .filter(function (one) { return one.of_stretch; })
      .map(function (one) { return count.typed(number + "." + one.name, one.label, { inputmode: "numeric" }); });
  }

  function over() {
    var number = count.stretches();
    var one = count.run();
    if (one.storing) {
      // Nothing can be typed that would not be stored.
      return [
        count.el("h1", { id: "count-head", tabindex: "-1" }, "Tower " + one.content.tower + ", run " + count.fields().run),
        count.el("p", { class: "finding", role: "status" }, "Storing …")
      ];
    }
    var parts = head();
    if ((one.problems || []).length) {
      parts.push(count.el("ul", { id: "problems", class: "warn plain", role: "alert", tabindex: "-1" }, one.problems.map(function (problem) {
        return count.el("li", {}, problem);
      })));
    }
    for (var before = 1; before < number; before += 1) {
      parts.push(count.el("div", { class: "press" }, [count.el("p", { class: "told" }, "Stretch " + before + ", " + summary(before))].concat(
        [counterField(before)], ofStretch(before))));
    }
    parts.push(
      count.el("div", { class: "press" }, [counterField(number), count.typed(number + ".ended", "ended", { maxlength: "25" })].concat(ofStretch(number), count.asks("note") ? [count.typed(number + ".note", "note")] : [])),
      count.el("p", { class: "finding" }, (number > 1 ? "Stretch " + number + ", " : "") + summary(number)),
      count.el("p", { class: "note" }, nought()),
      count.el("div", { class: "press" }, [
        count.button("Store this run", count.store, { id: "count-store" }),
        count.word("It is not over yet", count.notOver, { id: "count-not-over" })
      ])
    );
    return parts;
  }

  function summary(number) {
    var parts = count.KINDS.map(function (one) {
      if ((count.field(number, "off") || []).indexOf(one.kind) >= 0) {
        return one.kind + " not watched";
      }
      var so = count.counted(number, undefined, one.kind);
      return (so || "no") + " " + (so === 1 ? one.one : so ? one.kind : one.one);
    });
    return count.clock(count.field(number, "started")) + " to " + (count.clock(count.field(number, "ended")) || "now") + ": " + parts.join(" and ") + ".";
  }

  function nought() {
    return "Bins without a fault are stored with 0: watched, and none seen. If nothing was watching, say so under Put right.";
  }

  Object.assign(count, {
    counting: counting,
    over: over
  });
})((window.feedtallyCount = window.feedtallyCount || {}));
