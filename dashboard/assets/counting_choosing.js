/* The screen where a tower is chosen, and what was told before. */
(function (count) {
  "use strict";

  function unreached() {
    return [
      count.el("p", { class: "warn" }, count.held.told ? count.held.told.sentence : "There is no connection to the server; try again when there is one."),
      count.el("p", { class: "press" }, count.button("Try again", count.fetchOffer))
    ];
  }

  // What was counted here into a run that was stored without it.
  function rests() {
    return count.held.rests.map(function (one, index) {
      return count.el("div", { class: "rests", role: "alert" }, [
        count.el("p", { class: "warn" }, "Run " + one.run + " of tower " + one.tower + " was stored without what was typed on this device:"),
        count.el("ul", {}, one.rest.map(function (text) { return count.el("li", {}, text); })),
        count.el("p", { class: "press" }, [
          count.el("a", { class: "inside", href: "/log?" + new URLSearchParams({ of_tower: one.tower, of_run: one.run }) }, "Look at it, and mend it"),
          count.word("It is mended, or need not be", function () {
            count.held.rests.splice(index, 1);
            count.keep();
            count.draw();
          })
        ])
      ]);
    });
  }

  function saidBefore() {
    var before = count.held.told;
    if (!before) {
      return rests();
    }
    var one = before.tower && count.towerOf(before.tower);
    var parts = rests().concat([count.el("p", { id: "count-told", class: "finding", tabindex: "-1", role: "status" }, before.sentence)]);
    if (before.tower) {
      parts.push(
        count.el("p", { class: "press" }, [
          one ? count.button("Next run on tower " + before.tower, function () { count.begin(one); }, { id: "count-next" }) : "",
          count.el("a", { class: "inside", href: "/log?" + new URLSearchParams({ of_tower: before.tower, of_run: before.run }) }, "Look at it, or mend it")
        ])
      );
    }
    return parts;
  }

  function choosing() {
    var going = Object.keys(count.held.runs);
    var parts = saidBefore();
    parts.push(
      count.el("h2", {}, "Which tower is running?"),
      count.el(
        "div",
        { class: "press towers" },
        count.offer.towers
          .map(function (one) {
            return count.button(one.tower, function () { count.begin(one); }, {
              "aria-label": "Count a run of tower " + one.tower + (one.site ? ", " + one.site : "")
            });
          })
          .concat([count.word("another tower", otherTower, { id: "count-other" })])
      )
    );
    if (count.held.open === "other") {
      parts.push(newTower());
    }
    if (going.length) {
      parts.push(
        count.el("h2", {}, "Being counted"),
        count.el("ul", { class: "plain" }, going.map(function (name) {
          var content = count.held.runs[name].content;
          return count.el("li", {}, [
            count.word("tower " + content.tower + ", run " + content.fields.run, function () {
              count.held.at = name;
              count.held.open = "";
              count.held.told = null;
              count.keep();
              count.draw();
              count.top();
              count.focus("count-head");
            }),
            " since " + (content.fields["1.started"] || "").replace("T", " ")
          ]);
        }))
      );
    }
    if (count.offer.away.length) {
      parts.push(count.el("details", { class: "numbers" }, [
        count.el("summary", {}, "Put away of late"),
        count.el("ul", { class: "plain" }, count.offer.away.map(function (draft) {
          var told = "tower " + draft.content.tower + ", run " + draft.content.fields.run;
          return count.el("li", {}, [told + " ", count.word("bring it back", function () { count.bringBack(draft); }, { "aria-label": "Bring back " + told })]);
        }))
      ]));
    }
    return parts;
  }

  function otherTower() {
    count.held.open = count.held.open === "other" ? "" : "other";
    count.draw();
    count.focus("count-new-tower");
  }

  function newTower() {
    function go() {
      var name = document.getElementById("count-new-tower").value.trim();
      var bins = Number(document.getElementById("count-new-bins").value.trim());
      if (!name || !(bins >= 1 && bins <= 500 && Math.floor(bins) === bins)) {
        document.getElementById("count-new-told").textContent = "Name the tower, and say how many bins it has, from 1 to 500.";
        return;
      }
      var numbers = Array.from({ length: bins }, function (_, index) { return index + 1; });
      count.begin(count.towerOf(name) || { tower: name, bins: numbers, run: "1", papers: [], empty: "", values: {}, off: [], air_at: null });
    }
    return count.el("div", { class: "press" }, [
      count.labelled("its name", count.el("input", { id: "count-new-tower", type: "text", maxlength: "64", autocomplete: "off" })),
      count.labelled("bins", count.el("input", { id: "count-new-bins", type: "text", inputmode: "numeric", maxlength: "3", autocomplete: "off" })),
      count.button("Begin", go),
      count.el("p", { id: "count-new-told", class: "warn", role: "alert" })
    ]);
  }

  Object.assign(count, {
    choosing: choosing,
    unreached: unreached
  });
})((window.feedtallyCount = window.feedtallyCount || {}));
