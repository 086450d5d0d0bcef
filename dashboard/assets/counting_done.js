/* What is done at the tower: a run begins, a fault is seen, something is changed, the run is over. */
(function (count) {
  "use strict";

  function begin(one) {
    var now = count.wall();
    var made = { run: count.freeName(one.tower, one.run), stretches: "1" };
    made["1.started"] = count.minute(now);
    made["1.papers"] = one.papers.length ? count.copy(one.papers) : [["", "", ""]];
    if (one.empty) {
      made["1.empty"] = one.empty;
    }
    count.offer.asked.forEach(function (asked) {
      var air = count.AIR.indexOf(asked.name) >= 0;
      if (one.values[asked.name] !== undefined && (!air || count.fresh(one.air_at))) {
        made["1." + asked.name] = one.values[asked.name];
        if (air) {
          made["1.air_at"] = one.air_at;
        }
      }
    });
    if (one.off.length) {
      made["1.off"] = count.copy(one.off);
    }
    if (!count.asks("stock") && !count.asks("lot")) {
      delete made["1.papers"];
    }
    var name = count.newName();
    count.held.runs[name] = {
      content: { tower: one.tower, bins: one.bins, fields: made, faults: {} },
      base: null,
      revision: 0,
      dirty: true
    };
    count.held.at = name;
    count.held.open = "";
    count.changed();
    count.top();
    count.focus("count-head");
  }

  function fault(bin, kind) {
    var one = { stretch: count.stretches(), bin: bin, kind: kind, at: count.wall(), undone: false };
    count.run().content.faults[count.newName().slice(0, 12)] = one;
    count.changed();
    count.say("Counted: " + count.told(one) + ".");
  }

  function undo(name) {
    var one = count.run().content.faults[name];
    one.undone = true;
    count.changed();
    count.say("Taken back: " + count.told(one) + ".");
  }

  // One button: the stretch ends, the next has all that this one had.
  function somethingChanged() {
    var old = count.stretches();
    var now = count.minute(count.wall());
    var names = Object.keys(count.fields());
    var mine = count.fields();
    var ofStretch = count.offer.asked
      .filter(function (one) {
        return one.of_stretch;
      })
      .map(function (one) {
        return one.name;
      });
    names.forEach(function (name) {
      var column = count.columnOf(name);
      var stays = ["started", "ended", "from", "to", "note"].concat(ofStretch).indexOf(column) < 0;
      if (count.AIR.concat(["air_at"]).indexOf(column) >= 0 && !count.fresh(mine[old + ".air_at"])) {
        stays = false;
      }
      if (name.split(".")[0] === String(old) && stays) {
        mine[old + 1 + "." + column] = count.copy(mine[name]);
      }
    });
    count.set(old + ".ended", now);
    count.set(old + 1 + ".started", now);
    count.set(old + 1 + ".from", mine[old + ".to"]);
    count.set("stretches", String(old + 1));
    count.held.open = "right";
    count.changed();
    count.top();
    count.focus("count-" + old + ".to");
  }

  function nothingChanged() {
    var last = count.stretches();
    Object.keys(count.fields()).forEach(function (name) {
      if (name.split(".")[0] === String(last)) {
        delete count.fields()[name];
      }
    });
    count.set(last - 1 + ".ended", "");
    // What the counter showed then is not what it will show at the end.
    count.set(last - 1 + ".to", "");
    count.set("stretches", String(last - 1));
    count.held.open = "";
    count.changed();
  }

  function isOver() {
    if (!count.field(count.stretches(), "ended")) {
      count.set(count.stretches() + ".ended", count.minute(count.wall()));
    }
    count.held.open = "over";
    count.run().problems = [];
    count.changed();
    count.top();
    count.focus("count-" + count.stretches() + ".to");
  }

  function notOver() {
    count.set(count.stretches() + ".ended", "");
    count.held.open = "";
    count.changed();
  }

  function putAway() {
    var name = count.held.at;
    var one = count.run();
    count.drop(name);
    count.held.told = { sentence: "Run " + one.content.fields.run + " of tower " + one.content.tower + " was put away; nothing of it was stored." };
    count.keep();
    count.draw(true);
    // After what is on its way, which would bring it back.
    (count.sending || Promise.resolve())
      .then(function () {
        return count.ask(count.of(name), "DELETE");
      })
      .then(count.fetchOffer);
  }

  function bringBack(draft) {
    count.held.runs[draft.name] = { content: draft.content, base: count.copy(draft.content), revision: draft.revision, dirty: true };
    count.held.at = draft.name;
    count.held.open = "";
    count.changed();
    count.top();
    count.focus("count-head");
  }

  Object.assign(count, {
    begin: begin,
    bringBack: bringBack,
    fault: fault,
    isOver: isOver,
    notOver: notOver,
    nothingChanged: nothingChanged,
    putAway: putAway,
    somethingChanged: somethingChanged,
    undo: undo
  });
})((window.feedtallyCount = window.feedtallyCount || {}));
