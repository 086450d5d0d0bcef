/* Counting a run at the tower: one fault after the other as it is seen, what was changed, what the
   counter shows. The connection there comes and goes, so all of it happens here: what is typed is
   kept on the device at once and sent when it can be. A draft is flat, so that two devices can
   count into one run: see analysis/entry.py, which reads it, and merge() below. Nothing leaves this
   device before the server has said what became of it. */
(function () {
  "use strict";

  var SEND_AFTER = 600;
  var TRY_AGAIN = 4000;
  var LOOK_AGAIN = 8000;
  var KINDS = [
    { kind: "misses", one: "miss" },
    { kind: "doubles", one: "double" }
  ];
  var AIR = ["humidity_pct", "temperature_c"];

  var place = null; // The element that is ours, and in it what is drawn.
  var known = null; // What it says of the store and of addresses; it outlasts the element.
  var shown = null;
  var held = null; // Runs by name, which one is counted, what is open, what was told.
  var written = {}; // What storage holds, by key.
  var offer = null; // What the server offers: towers, stocks, what is asked.
  var reached = true; // Whether the server answered last time.
  var signedOut = false;
  var unkept = false; // Whether this device's storage takes nothing.
  var sending = null;
  var turn = 0;
  var waiting = null;
  var looking = null;

  // ---- What is kept on this device: a key for each run, so that two windows do not overwrite
  // ---- each other's, one for what all windows share, and what this window shows.

  function key() {
    return "feedtally-count-" + known.store;
  }

  function read(storage, name) {
    try {
      return JSON.parse(window[storage].getItem(name));
    } catch (off) {
      return null; // Switched off, or not ours.
    }
  }

  function write(storage, name, value) {
    var text = JSON.stringify(value);
    if (written[name] === text) {
      return;
    }
    try {
      window[storage].setItem(name, text);
      written[name] = text;
    } catch (full) {
      unkept = true;
    }
  }

  function load() {
    var here = read("sessionStorage", key()) || {};
    var all = read("localStorage", key()) || {};
    held = {
      runs: {},
      at: here.at || null,
      open: here.open || "",
      told: here.told || null,
      offer: all.offer || null,
      skew: typeof all.skew === "number" ? all.skew : null,
      rests: all.rests || []
    };
    try {
      Object.keys(window.localStorage).forEach(function (name) {
        if (name.indexOf(key() + ":") === 0) {
          var one = read("localStorage", name);
          if (one && one.content) {
            // What was on its way when the page was left has to be asked about anew.
            one.storing = false;
            held.runs[name.slice(key().length + 1)] = one;
          }
        }
      });
    } catch (off) {
      unkept = true;
    }
    if (!held.runs[held.at]) {
      held.at = null;
    }
  }

  function keep() {
    unkept = false;
    write("sessionStorage", key(), { at: held.at, open: held.open, told: held.told });
    write("localStorage", key(), { offer: held.offer, skew: held.skew, rests: held.rests });
    Object.keys(held.runs).forEach(function (name) {
      write("localStorage", key() + ":" + name, held.runs[name]);
    });
  }

  // A run leaves this device: only once it is known to be in the log, or put away on purpose.
  function drop(name) {
    delete held.runs[name];
    if (held.at === name) {
      held.at = null;
      held.open = "";
    }
    delete written[key() + ":" + name];
    try {
      window.localStorage.removeItem(key() + ":" + name);
    } catch (off) {
      // Then it never held it.
    }
  }

  function run() {
    return held.at ? held.runs[held.at] : null;
  }

  function fields() {
    return run().content.fields;
  }

  function stretches() {
    return Number(fields().stretches || 1);
  }

  function field(number, name) {
    return fields()[number + "." + name];
  }

  function copy(value) {
    return JSON.parse(JSON.stringify(value));
  }

  // In whatever order the names stand: the server sends them in another.
  function same(one, other) {
    function sorted(name, value) {
      if (!value || typeof value !== "object" || Array.isArray(value)) {
        return value;
      }
      return Object.keys(value).sort().reduce(function (made, inner) {
        made[inner] = value[inner];
        return made;
      }, {});
    }
    return JSON.stringify(one, sorted) === JSON.stringify(other, sorted);
  }

  // By the clocks at the towers; by this device's own where the server never told them. To the
  // thousandth, so that faults stand in the order in which they were seen.
  function wall() {
    var skew = held.skew === null ? -60000 * new Date().getTimezoneOffset() : held.skew;
    return new Date(Date.now() + skew).toISOString().slice(0, 23);
  }

  function minute(moment) {
    return moment ? moment.slice(0, 16) : "";
  }

  function clock(moment) {
    return moment ? moment.slice(11, 16) : "";
  }

  // A clock time, with its day where that is not today.
  function when(moment) {
    return moment.slice(0, 10) === wall().slice(0, 10) ? clock(moment) : minute(moment).replace("T", " ");
  }

  function hoursSince(moment) {
    return (Date.parse(wall() + "Z") - Date.parse(moment + (moment.length > 16 ? "Z" : ":00Z"))) / 3600000;
  }

  function fresh(moment) {
    var hours = moment ? hoursSince(moment) : NaN;
    return hours >= -0.1 && hours <= offer.fresh_hours;
  }

  function newName() {
    // randomUUID is there on safe connections only.
    var bytes = window.crypto.getRandomValues(new Uint8Array(12));
    return Array.prototype.map
      .call(bytes, function (byte) {
        return ("0" + byte.toString(16)).slice(-2);
      })
      .join("");
  }

  // ---- What goes to the server

  // ``what`` is "log" for what somebody did; looks that the page takes by itself say "look", and do
  // not keep anybody signed in.
  function ask(address, method, body, what) {
    return fetch(address, {
      method: method,
      headers: { "X-Feedtally": what || "log", "Content-Type": "application/json" },
      body: body === undefined ? undefined : JSON.stringify(body)
    }).then(
      function (answer) {
        signedOut = answer.status === 401;
        reached = true;
        var json = /json/.test(answer.headers.get("Content-Type") || "");
        return (json ? answer.json() : answer.text()).then(
          function (told) {
            return { status: answer.status, told: told || {} };
          },
          function () {
            return { status: answer.status, told: {} };
          }
        );
      },
      function () {
        reached = false;
        return { status: 0, told: {} };
      }
    );
  }

  function of(name) {
    return known.drafts + "/" + name;
  }

  // Why something was not done, in sentences.
  function why(got) {
    if (!got.status) {
      return ["There is no connection. What you typed is kept on this device: go on when there is one."];
    }
    if (got.status === 401) {
      return ["You have been signed out. What you typed is kept on this device: sign in again, then go on."];
    }
    if (got.told.problems) {
      return got.told.problems;
    }
    return [typeof got.told === "string" && got.told.length < 400 ? got.told : "The server could not do this; what you typed is kept on this device."];
  }

  // What was changed here is kept, sent soon, and drawn.
  function changed(quietly) {
    run().dirty = true;
    held.told = null;
    keep();
    soon(SEND_AFTER);
    if (!quietly) {
      draw();
    }
  }

  function set(name, value) {
    if (value === "" || value === undefined) {
      delete fields()[name];
    } else {
      fields()[name] = value;
    }
  }

  function soon(after) {
    window.clearTimeout(waiting);
    waiting = window.setTimeout(send, after);
  }

  // Runs with something to send, one after the other: none waits for another that is refused.
  function dirty() {
    var names = Object.keys(held.runs).filter(function (name) {
      // One that is being stored is on its way already.
      return held.runs[name].dirty && !held.runs[name].storing;
    });
    turn += 1;
    return names.length ? names[turn % names.length] : undefined;
  }

  // Should an answer be lost, what the server has is known again by what was sent.
  function remember(one, sent) {
    one.sent = (one.sent || []).concat([sent]).slice(-20);
  }

  function send() {
    var name = place && dirty();
    if (!name || sending) {
      return;
    }
    var one = held.runs[name];
    var sent = copy(one.content);
    remember(one, sent);
    keep();
    sending = ask(of(name), "PUT", { revision: one.revision, content: sent }).then(function (got) {
      sending = null;
      one = held.runs[name];
      if (!one) {
        return;
      }
      one.refused = "";
      if (got.told.kept) {
        one.revision = got.told.kept.revision;
        one.base = sent;
        one.sent = [];
        one.dirty = !same(one.content, sent);
      } else if (got.told.overtaken) {
        overtaken(name, got.told.overtaken);
      } else if (reached) {
        one.refused = why(got).join(" ");
      }
      keep();
      note();
      if (dirty()) {
        soon(reached && got.status === 200 && !got.told.problems ? SEND_AFTER : TRY_AGAIN);
      }
    });
  }

  // Another device saved the run, stored it, or put it away; or this one did, and the answer was
  // lost.
  function overtaken(name, there) {
    var one = held.runs[name];
    if (there.stored) {
      finished(name, there);
      return;
    }
    one.revision = there.revision;
    if (there.away) {
      // Counted on here: it comes again.
      one.dirty = true;
      return;
    }
    var ours = (one.sent || []).some(function (sent) {
      return same(there.content, sent);
    });
    var base = ours ? there.content : one.base || { fields: {}, faults: {} };
    var both = !ours && !same(base.fields.stretches, there.content.fields.stretches);
    var mine = !same(base.fields.stretches, one.content.fields.stretches);
    var merged = merge(base, one.content, there.content);
    one.content = merged.content;
    one.base = copy(there.content);
    one.sent = [];
    one.dirty = !same(one.content, there.content);
    var told = [];
    if (merged.lost.length) {
      told.push("Changed on another device meanwhile, and kept as it stands there: " + merged.lost.join(", ") + ".");
    }
    if (both && mine) {
      told.push("Something was changed on two devices at once, which is one stretch now: look at its counter, papers and faults.");
    }
    if (told.length) {
      one.note = told.join(" ");
    }
    draw();
  }

  // Each name is what was changed here, or else what was changed there; where both changed it, what
  // was there first stays and is told.
  function merge(base, mine, theirs) {
    var lost = [];
    function both(kind) {
      var made = {};
      var names = Object.keys(mine[kind]).concat(Object.keys(theirs[kind]));
      names.forEach(function (name) {
        var was = base[kind][name];
        var here = mine[kind][name];
        var there = theirs[kind][name];
        var untouched = same(here, was);
        if (!untouched && !same(there, was) && !same(here, there)) {
          // A fault that either took back stays taken back.
          if (kind === "faults" && here && there) {
            here = here.undone ? here : there;
          } else {
            lost.push(kind === "fields" ? label(name) : "a fault");
            here = there;
          }
        } else if (untouched) {
          here = there;
        }
        if (here !== undefined) {
          made[name] = copy(here);
        }
      });
      return made;
    }
    var content = copy(theirs);
    content.fields = both("fields");
    content.faults = both("faults");
    return { content: content, lost: lost };
  }

  function columnOf(name) {
    return name.slice(name.indexOf(".") + 1);
  }

  function label(name) {
    var column = columnOf(name);
    var asked = offer.asked.filter(function (one) {
      return one.name === column;
    })[0];
    var others = { to: "the counter", from: "the counter at the start", papers: "the papers", off: "what was watched for", empty: "bins left empty" };
    return asked ? asked.label : others[column] || column;
  }

  // What others counted into the run that is shown here.
  function look() {
    var name = held && held.at;
    if (!place || !name || document.hidden || sending || held.runs[name].dirty || !held.runs[name].revision) {
      return;
    }
    settle(name);
  }

  // Ask what became of a run that has nothing to send.
  function settle(name) {
    return ask(of(name), "GET", undefined, "look").then(function (got) {
      var one = held.runs[name];
      var there = got.told.kept;
      if (!one || one.dirty || there === undefined) {
        // Gone on with here meanwhile, or nothing was told.
      } else if (there === null) {
        // The server lost it: this device has it, and sends it again.
        one.dirty = true;
        soon(0);
      } else if (there.stored) {
        finished(name, there);
      } else if (there.away) {
        drop(name);
        held.told = { sentence: "Run " + one.content.fields.run + " of tower " + one.content.tower + " was put away on another device." };
        keep();
        draw();
      } else if (there.revision > one.revision) {
        one.content = there.content;
        one.base = copy(there.content);
        one.revision = there.revision;
        keep();
        draw();
      }
      note();
    });
  }

  // What this device has of a run that is stored without it.
  function notStored(mine, theirs) {
    var found = [];
    Object.keys(mine.faults).forEach(function (name) {
      var here = mine.faults[name];
      var there = theirs.faults[name];
      if (!there && !here.undone) {
        found.push(told(here));
      } else if (there && here.undone && !there.undone) {
        found.push(told(here) + ", taken back");
      }
    });
    Object.keys(mine.fields).forEach(function (name) {
      var value = mine.fields[name];
      if (columnOf(name) !== "air_at" && !same(value, theirs.fields[name])) {
        found.push(label(name) + " " + (typeof value === "string" ? value : JSON.stringify(value)));
      }
    });
    return found;
  }

  function finished(name, there) {
    var one = held.runs[name];
    var run = one.content.fields.run;
    var rest = there.content && there.content.fields ? notStored(one.content, there.content) : [];
    if (rest.length) {
      held.rests.push({ tower: one.content.tower, run: there.content.fields.run, rest: rest });
    }
    held.told = { sentence: there.stored, tower: one.content.tower, run: there.content && there.content.fields ? there.content.fields.run : run };
    // Known here before the server offers anew.
    var tower = offer && towerOf(one.content.tower);
    if (tower) {
      tower.run = following(held.told.run) || tower.run;
    }
    drop(name);
    held.open = "";
    keep();
    fetchOffer();
    draw(true);
  }

  function store() {
    var name = held.at;
    var one = run();
    if (one.note) {
      one.problems = [one.note];
      draw();
      focus("problems");
      return;
    }
    var sent = copy(one.content);
    one.problems = [];
    one.storing = true;
    draw();
    // What is on its way arrives first, so that no revision overtakes another.
    (sending || Promise.resolve())
      .then(function () {
        remember(one, sent);
        return ask(of(name) + "/store", "POST", { revision: one.revision, content: sent });
      })
      .then(function (got) {
        one = held.runs[name];
        if (!one) {
          return;
        }
        one.storing = false;
        if (got.told.stored) {
          finished(name, got.told);
          return;
        }
        if (got.told.overtaken) {
          overtaken(name, got.told.overtaken);
          if (!held.runs[name]) {
            return;
          }
          one.problems = ["Another device counted into this run meanwhile. Look at it once more, then store it."];
        } else {
          one.problems = why(got);
        }
        keep();
        draw();
        focus("problems");
        if (dirty()) {
          soon(TRY_AGAIN);
        }
      });
  }

  function fetchOffer() {
    return ask(known.offer, "GET").then(function (got) {
      if (got.told.towers) {
        offer = got.told;
        held.offer = copy(offer);
        held.offer.drafts = [];
        held.offer.away = [];
        held.skew = Date.parse(offer.now + "Z") - Date.now();
        taken(offer.drafts);
        keep();
      } else {
        offer = offer || held.offer;
        if (reached && !offer) {
          held.told = { sentence: why(got).join(" ") };
        }
      }
      draw();
      if (dirty()) {
        soon(0);
      }
    });
  }

  // Drafts that the server has: newer than those on this device, or not known here yet.
  function taken(drafts) {
    var there = {};
    drafts.forEach(function (draft) {
      var one = held.runs[draft.name];
      there[draft.name] = true;
      if (!one) {
        held.runs[draft.name] = { content: draft.content, base: copy(draft.content), revision: draft.revision, dirty: false };
      } else if (!one.dirty && draft.revision > one.revision) {
        one.content = draft.content;
        one.base = copy(draft.content);
        one.revision = draft.revision;
      }
    });
    Object.keys(held.runs).forEach(function (name) {
      // Stored or put away elsewhere, or lost there: it is asked, never guessed.
      if (!there[name] && !held.runs[name].dirty && held.runs[name].revision) {
        settle(name);
      }
    });
  }

  // ---- What is done at the tower

  function towerOf(name) {
    return offer.towers.filter(function (one) {
      return one.tower === name;
    })[0];
  }

  function following(name) {
    var match = /^(.*?)(\d{1,12})$/.exec(name);
    return match ? match[1] + String(Number(match[2]) + 1).padStart(match[2].length, "0") : "";
  }

  // The next name that nobody else counts under.
  function freeName(tower, name) {
    var used = Object.keys(held.runs).map(function (one) {
      var content = held.runs[one].content;
      return content.tower === tower ? content.fields.run : null;
    });
    while (name && used.indexOf(name) >= 0) {
      name = following(name);
    }
    return name || minute(wall()).replace("T", "-").replace(":", "");
  }

  function begin(one) {
    var now = wall();
    var made = { run: freeName(one.tower, one.run), stretches: "1" };
    made["1.started"] = minute(now);
    made["1.papers"] = one.papers.length ? copy(one.papers) : [["", "", ""]];
    if (one.empty) {
      made["1.empty"] = one.empty;
    }
    offer.asked.forEach(function (asked) {
      var air = AIR.indexOf(asked.name) >= 0;
      if (one.values[asked.name] !== undefined && (!air || fresh(one.air_at))) {
        made["1." + asked.name] = one.values[asked.name];
        if (air) {
          made["1.air_at"] = one.air_at;
        }
      }
    });
    if (one.off.length) {
      made["1.off"] = copy(one.off);
    }
    if (!asks("stock") && !asks("lot")) {
      delete made["1.papers"];
    }
    var name = newName();
    held.runs[name] = {
      content: { tower: one.tower, bins: one.bins, fields: made, faults: {} },
      base: null,
      revision: 0,
      dirty: true
    };
    held.at = name;
    held.open = "";
    changed();
    top();
    focus("count-head");
  }

  function asks(name) {
    return offer.asked.some(function (one) {
      return one.name === name;
    });
  }

  function fault(bin, kind) {
    var one = { stretch: stretches(), bin: bin, kind: kind, at: wall(), undone: false };
    run().content.faults[newName().slice(0, 12)] = one;
    changed();
    say("Counted: " + told(one) + ".");
  }

  function undo(name) {
    var one = run().content.faults[name];
    one.undone = true;
    changed();
    say("Taken back: " + told(one) + ".");
  }

  function counted(number, bin, kind) {
    var faults = run().content.faults;
    return Object.keys(faults).filter(function (name) {
      var one = faults[name];
      return !one.undone && one.kind === kind && (number === null || one.stretch === number) && (bin === undefined || one.bin === bin);
    }).length;
  }

  function told(one) {
    var kind = one.kind === "misses" ? "miss" : "double";
    return (one.bin === null ? "bin not noted" : "bin " + one.bin) + ", " + kind + ", " + clock(one.at);
  }

  // One button: the stretch ends, the next has all that this one had.
  function somethingChanged() {
    var old = stretches();
    var now = minute(wall());
    var names = Object.keys(fields());
    var mine = fields();
    var ofStretch = offer.asked
      .filter(function (one) {
        return one.of_stretch;
      })
      .map(function (one) {
        return one.name;
      });
    names.forEach(function (name) {
      var column = columnOf(name);
      var stays = ["started", "ended", "from", "to", "note"].concat(ofStretch).indexOf(column) < 0;
      if (AIR.concat(["air_at"]).indexOf(column) >= 0 && !fresh(mine[old + ".air_at"])) {
        stays = false;
      }
      if (name.split(".")[0] === String(old) && stays) {
        mine[old + 1 + "." + column] = copy(mine[name]);
      }
    });
    set(old + ".ended", now);
    set(old + 1 + ".started", now);
    set(old + 1 + ".from", mine[old + ".to"]);
    set("stretches", String(old + 1));
    held.open = "right";
    changed();
    top();
    focus("count-" + old + ".to");
  }

  function nothingChanged() {
    var last = stretches();
    Object.keys(fields()).forEach(function (name) {
      if (name.split(".")[0] === String(last)) {
        delete fields()[name];
      }
    });
    set(last - 1 + ".ended", "");
    // What the counter showed then is not what it will show at the end.
    set(last - 1 + ".to", "");
    set("stretches", String(last - 1));
    held.open = "";
    changed();
  }

  function isOver() {
    if (!field(stretches(), "ended")) {
      set(stretches() + ".ended", minute(wall()));
    }
    held.open = "over";
    run().problems = [];
    changed();
    top();
    focus("count-" + stretches() + ".to");
  }

  function notOver() {
    set(stretches() + ".ended", "");
    held.open = "";
    changed();
  }

  function putAway() {
    var name = held.at;
    var one = run();
    drop(name);
    held.told = { sentence: "Run " + one.content.fields.run + " of tower " + one.content.tower + " was put away; nothing of it was stored." };
    keep();
    draw(true);
    // After what is on its way, which would bring it back.
    (sending || Promise.resolve())
      .then(function () {
        return ask(of(name), "DELETE");
      })
      .then(fetchOffer);
  }

  function bringBack(draft) {
    held.runs[draft.name] = { content: draft.content, base: copy(draft.content), revision: draft.revision, dirty: true };
    held.at = draft.name;
    held.open = "";
    changed();
    top();
    focus("count-head");
  }

  // ---- What is drawn

  function el(tag, given, parts) {
    var made = document.createElement(tag);
    Object.keys(given || {}).forEach(function (name) {
      var value = given[name];
      if (name.slice(0, 2) === "on") {
        made.addEventListener(name.slice(2), value);
      } else if (value === true) {
        made.setAttribute(name, "");
      } else if (value !== false && value !== null && value !== undefined) {
        made.setAttribute(name, value);
      }
    });
    [].concat(parts === undefined ? [] : parts).forEach(function (part) {
      if (part !== null && part !== undefined && part !== "") {
        // Texts are set as text, whatever stands in them.
        made.append(part);
      }
    });
    return made;
  }

  function button(text, does, given) {
    return el("button", Object.assign({ type: "button", class: "main", onclick: does }, given), text);
  }

  function word(text, does, given) {
    return button(text, does, Object.assign({ class: "word" }, given));
  }

  function mark(kind) {
    return el("span", { class: "mark " + kind, "aria-hidden": "true" });
  }

  function draw(toTop) {
    if (!place) {
      return;
    }
    var active = document.activeElement;
    var where = place.contains(active) ? active.id : null;
    var picked = where && active.selectionStart !== undefined ? [active.selectionStart, active.selectionEnd] : null;
    var parts = !offer ? unreached() : run() ? (held.open === "over" ? over() : counting()) : choosing();
    shown.replaceChildren.apply(shown, parts.concat([el("p", { id: "count-note", class: "note" })]));
    document.getElementById("log-page").classList.toggle("counting", Boolean(offer && run()));
    note();
    var again = where && document.getElementById(where);
    if (again) {
      again.focus({ preventScroll: true });
      if (picked && again.setSelectionRange && again.type === "text") {
        again.setSelectionRange(picked[0], picked[1]);
      }
    }
    if (toTop) {
      top();
      focus("count-told");
    }
  }

  function top() {
    window.scrollTo(0, 0);
  }

  function focus(id) {
    var found = document.getElementById(id);
    if (found) {
      found.focus({ preventScroll: true });
    }
  }

  // The line below says where what was typed is kept.
  function note() {
    var line = document.getElementById("count-note");
    if (!line) {
      return;
    }
    var text = "";
    var amiss = run() ? run().refused || "" : "";
    if (signedOut) {
      text = "You have been signed out; what you typed stays here.";
    } else if (amiss) {
      text = amiss;
    } else if (!reached) {
      text = unkept ? "No connection, and this device keeps nothing: leave this page open until there is one." : "No connection: kept on this device, and sent when there is one.";
    } else if (run() && unkept) {
      text = run().dirty ? "This device keeps nothing: leave this page open until it is sent." : "Kept in the store's folder alone; not yet in the log.";
    } else if (run()) {
      text = run().dirty ? "Kept on this device; being sent …" : "Kept on this device and in the store's folder; not yet in the log.";
    }
    line.classList.toggle("warn", Boolean(signedOut || amiss || !reached || (run() && unkept)));
    if (line.textContent.indexOf(text) !== 0 || !text) {
      line.textContent = text;
      if (signedOut) {
        line.append(" ", el("a", { href: "/sign-in?next=/log" }, "Sign in"));
      }
    }
  }

  function say(text) {
    var line = document.getElementById("count-said");
    if (line) {
      line.textContent = text;
    }
  }

  function unreached() {
    return [
      el("p", { class: "warn" }, held.told ? held.told.sentence : "There is no connection to the server; try again when there is one."),
      el("p", { class: "press" }, button("Try again", fetchOffer))
    ];
  }

  // What was counted here into a run that was stored without it.
  function rests() {
    return held.rests.map(function (one, index) {
      return el("div", { class: "rests", role: "alert" }, [
        el("p", { class: "warn" }, "Run " + one.run + " of tower " + one.tower + " was stored without what was typed on this device:"),
        el("ul", {}, one.rest.map(function (text) { return el("li", {}, text); })),
        el("p", { class: "press" }, [
          el("a", { class: "inside", href: "/log?" + new URLSearchParams({ of_tower: one.tower, of_run: one.run }) }, "Look at it, and mend it"),
          word("It is mended, or need not be", function () {
            held.rests.splice(index, 1);
            keep();
            draw();
          })
        ])
      ]);
    });
  }

  function saidBefore() {
    var before = held.told;
    if (!before) {
      return rests();
    }
    var one = before.tower && towerOf(before.tower);
    var parts = rests().concat([el("p", { id: "count-told", class: "finding", tabindex: "-1", role: "status" }, before.sentence)]);
    if (before.tower) {
      parts.push(
        el("p", { class: "press" }, [
          one ? button("Next run on tower " + before.tower, function () { begin(one); }, { id: "count-next" }) : "",
          el("a", { class: "inside", href: "/log?" + new URLSearchParams({ of_tower: before.tower, of_run: before.run }) }, "Look at it, or mend it")
        ])
      );
    }
    return parts;
  }

  function choosing() {
    var going = Object.keys(held.runs);
    var parts = saidBefore();
    parts.push(
      el("h2", {}, "Which tower is running?"),
      el(
        "div",
        { class: "press towers" },
        offer.towers
          .map(function (one) {
            return button(one.tower, function () { begin(one); }, {
              "aria-label": "Count a run of tower " + one.tower + (one.site ? ", " + one.site : "")
            });
          })
          .concat([word("another tower", otherTower, { id: "count-other" })])
      )
    );
    if (held.open === "other") {
      parts.push(newTower());
    }
    if (going.length) {
      parts.push(
        el("h2", {}, "Being counted"),
        el("ul", { class: "plain" }, going.map(function (name) {
          var content = held.runs[name].content;
          return el("li", {}, [
            word("tower " + content.tower + ", run " + content.fields.run, function () {
              held.at = name;
              held.open = "";
              held.told = null;
              keep();
              draw();
              top();
              focus("count-head");
            }),
            " since " + (content.fields["1.started"] || "").replace("T", " ")
          ]);
        }))
      );
    }
    if (offer.away.length) {
      parts.push(el("details", { class: "numbers" }, [
        el("summary", {}, "Put away of late"),
        el("ul", { class: "plain" }, offer.away.map(function (draft) {
          var told = "tower " + draft.content.tower + ", run " + draft.content.fields.run;
          return el("li", {}, [told + " ", word("bring it back", function () { bringBack(draft); }, { "aria-label": "Bring back " + told })]);
        }))
      ]));
    }
    return parts;
  }

  function otherTower() {
    held.open = held.open === "other" ? "" : "other";
    draw();
    focus("count-new-tower");
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
      begin(towerOf(name) || { tower: name, bins: numbers, run: "1", papers: [], empty: "", values: {}, off: [], air_at: null });
    }
    return el("div", { class: "press" }, [
      labelled("its name", el("input", { id: "count-new-tower", type: "text", maxlength: "64", autocomplete: "off" })),
      labelled("bins", el("input", { id: "count-new-bins", type: "text", inputmode: "numeric", maxlength: "3", autocomplete: "off" })),
      button("Begin", go),
      el("p", { id: "count-new-told", class: "warn", role: "alert" })
    ]);
  }

  function labelled(text, input) {
    return el("div", { class: "field" }, [el("label", { for: input.id }, text), input]);
  }

  // A text that is typed into a field of the draft.
  function typed(name, text, given) {
    var input = el("input", Object.assign(
      {
        id: "count-" + name,
        type: "text",
        autocomplete: "off",
        maxlength: "400",
        oninput: function () {
          set(name, input.value);
          if (AIR.indexOf(columnOf(name)) >= 0) {
            set(name.split(".")[0] + ".air_at", minute(wall()));
          }
          changed(true);
        }
      },
      given
    ));
    input.value = fields()[name] || "";
    return labelled(text, input);
  }

  function counterField(number) {
    var name = number + ".to";
    var before = field(number, "from") || "0";
    var input = el("input", {
      id: "count-" + name,
      type: "text",
      inputmode: "numeric",
      autocomplete: "off",
      maxlength: "15",
      class: "counter",
      oninput: function () {
        // The next stretch begins where this one ends, unless somebody said otherwise.
        var next = number + 1 + ".from";
        if (number < stretches() && (fields()[next] || "") === (fields()[name] || "")) {
          set(next, input.value);
          var shown = document.getElementById("count-" + next);
          if (shown) {
            shown.value = input.value;
          }
        }
        set(name, input.value);
        changed(true);
      }
    });
    input.value = fields()[name] || "";
    return labelled(
      (number < stretches() ? "counter when something was changed" : "counter at the end") + (before === "0" ? "" : ", was " + before),
      input
    );
  }

  function head() {
    var number = stretches();
    return [
      el("div", { class: "counted" }, [
        el("h1", { id: "count-head", tabindex: "-1" }, [
          "Tower " + run().content.tower + ", run " + (fields().run || "…") + " ",
          el("small", {}, (number > 1 ? "stretch " + number + ", " : "") + "since " + clock(field(number, "started")))
        ]),
        el("p", { id: "count-words" }, [words(number) + " ", word(held.open === "right" ? "Done" : "Put right", function () {
          // It is not over while something in it is put right.
          if (held.open === "over") {
            set(stretches() + ".ended", "");
          }
          held.open = held.open === "right" ? "" : "right";
          changed();
        }, { id: "count-right", "aria-expanded": String(held.open === "right") })])
      ]),
      run().note ? el("p", { class: "warn", role: "alert" }, [run().note + " ", word("Seen", function () {
        run().note = "";
        run().problems = [];
        keep();
        draw();
      }, { id: "count-seen" })]) : ""
    ];
  }

  // What this stretch runs with, as a line of words.
  function words(number) {
    var parts = [];
    var papers = field(number, "papers") || [];
    papers.slice(1).concat(papers.slice(0, 1)).forEach(function (paper, index) {
      var body = index === papers.length - 1;
      if (paper[1] || paper[2]) {
        parts.push((paper[1] || "lot " + paper[2]) + (!body ? " in bin " + paper[0] : index ? " in the others" : " in all bins"));
      }
    });
    if (papers.length && !(papers[0][1] || papers[0][2])) {
      parts.push("stock not noted");
    }
    offer.asked.forEach(function (one) {
      var value = field(number, one.name);
      if (!one.of_stretch && one.name !== "stock" && one.name !== "lot" && one.name !== "note") {
        parts.push(value ? one.label.split(",")[0] + " " + value + (/%$/.test(one.label) ? " %" : "") : one.label.split(",")[0] + " not noted");
      }
    });
    var read = field(number, "air_at");
    if (read && (field(number, "humidity_pct") || field(number, "temperature_c"))) {
      parts.push("air of " + when(read));
    }
    if (field(number, "empty")) {
      parts.push("bins left empty: " + field(number, "empty"));
    }
    (field(number, "off") || []).forEach(function (kind) {
      parts.push("nothing watching for " + kind);
    });
    parts.unshift(field(number, "purpose") || "production");
    return parts.join(" · ");
  }

  function counting() {
    var number = stretches();
    var parts = head();
    var before = number - 1;
    if (before && (held.open === "right" || !field(before, "to"))) {
      parts.push(el("div", { class: "press" }, [counterField(before)].concat(ofStretch(before))));
    }
    if (held.open === "right") {
      parts.push(conditions(number));
    }
    parts.push(
      el("div", { class: "at-tower" }, [
        el("div", {}, [bins(number)]),
        el("div", {}, [
          el("div", { class: "ends" }, [
            latest(),
            el("div", { class: "press" }, [
              button("I changed something", somethingChanged, { id: "count-changed" }),
              button("The run is over", isOver, { id: "count-over" })
            ])
          ]),
          list()
        ])
      ]),
      el("p", { class: "press" }, [
        word("Leave it for now", function () {
          held.at = null;
          held.open = "";
          keep();
          fetchOffer();
        }, { id: "count-leave" }),
        away()
      ])
    );
    return parts;
  }

  function away() {
    if (held.open !== "away") {
      return word("Put it away", function () {
        held.open = "away";
        draw();
        focus("count-stay");
      }, { id: "count-put-away" });
    }
    return el("span", {}, [
      "Nothing of this run is stored then; for a month it can be brought back. ",
      word("No, go on", function () {
        held.open = "";
        draw();
        focus("count-put-away");
      }, { id: "count-stay" }),
      " ",
      word("Yes, put it away", putAway, { id: "count-away" })
    ]);
  }

  // The tower as the column of bins that it is.
  function bins(number) {
    var off = field(number, "off") || [];
    var rows = run().content.bins.map(function (bin) {
      return binRow(number, bin, "bin " + bin, off);
    });
    rows.push(binRow(number, null, "bin not noted", off));
    return el("ol", { class: "bins", "aria-label": "Bins, from the top of the tower down" }, rows);
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
    if (listed(field(number, "empty")).indexOf(bin) >= 0) {
      return el("li", { class: "unused" }, [el("span", { class: "bin" }, name), el("span", {}, "left empty")]);
    }
    return el("li", {}, [
      el("span", { class: "bin" }, bin === null ? "bin ?" : name)
    ].concat(KINDS.map(function (one) {
      var so = counted(number, bin, one.kind);
      return button([mark(one.kind), one.one, so ? el("b", {}, String(so)) : ""], function () { fault(bin, one.kind); }, {
        id: "count-" + one.one + "-" + (bin === null ? "unknown" : bin),
        class: "fault",
        disabled: off.indexOf(one.kind) >= 0,
        "aria-label": one.one + ", " + name + (so ? ", " + so + " so far" : "")
      });
    })));
  }

  function lastFirst() {
    var faults = run().content.faults;
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
    var one = run().content.faults[name];
    return el("p", { class: "latest" }, [
      mark(one.kind),
      el("span", {}, told(one)),
      word("undo", function () { undo(name); }, { "aria-label": "Undo the last, " + told(one) })
    ]);
  }

  // The running list, the last first.
  function list() {
    var faults = run().content.faults;
    var names = lastFirst();
    var several = stretches() > 1;
    if (!names.length) {
      return el("p", { class: "note" }, "No fault yet: tap the bin when one is seen. A zero is written for every bin that had none, so count only while somebody, or the detector, is watching.");
    }
    return el("ol", { class: "seen", "aria-label": "Faults of this run, the last first" }, names.map(function (name) {
      var one = faults[name];
      return el("li", {}, [
        mark(one.kind),
        el("span", {}, told(one) + (several && one.stretch !== stretches() ? ", stretch " + one.stretch : "")),
        word("undo", function () { undo(name); }, { "aria-label": "Undo " + told(one) })
      ]);
    }));
  }

  // In the order of the tally sheet, so that counts on paper are typed from the top down.
  function conditions(number) {
    var first = [
      typed("run", "run", { maxlength: "64" }),
      typed(number + ".started", "started", { maxlength: "25" }),
      chosen(number + ".purpose", "ran for", offer.purposes, offer.purposes[0], true)
    ];
    if (field(number, "purpose") === "burn-in") {
      first.push(typed(number + ".proof", "burn-in by name"));
    }
    var air = ["humidity_pct", "temperature_c", "prepared"];
    function fieldsOf(which) {
      return offer.asked
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
    var watched = el("fieldset", { class: "field watched" }, [el("legend", {}, "watched for")].concat(KINDS.map(function (one) {
      var box = el("input", { id: "count-watched-" + one.kind, type: "checkbox", onchange: function () {
        var off = (field(number, "off") || []).filter(function (kind) { return kind !== one.kind; });
        if (!box.checked) {
          off.push(one.kind);
        }
        set(number + ".off", off.length ? off.sort() : "");
        changed();
      } });
      box.checked = (field(number, "off") || []).indexOf(one.kind) < 0;
      return el("label", {}, [box, " " + one.kind]);
    })));
    var empty = typed(number + ".empty", "bins left empty", { placeholder: "none", onchange: function () { draw(); } });
    var made = [
      el("div", { class: "press" }, first),
      el("div", { class: "press" }, fieldsOf(isAir)),
      asks("stock") || asks("lot") ? papersForm(number) : "",
      el("div", { class: "press" }, [typed(number + ".from", "counter at the start", { inputmode: "numeric", placeholder: "0" }), empty, watched]),
      el("div", { class: "press" }, fieldsOf(isSetting)),
      el("div", { class: "press" }, fieldsOf(function (name) { return !isAir(name) && !isSetting(name); }))
    ];
    var mine = run().content.faults;
    var none = !Object.keys(mine).some(function (name) { return mine[name].stretch === number; });
    if (number > 1 && none) {
      made.push(el("p", {}, word("Nothing was changed after all: go back to stretch " + (number - 1), nothingChanged, { id: "count-nothing" })));
    }
    return el("div", { class: "right", id: "count-form" }, made);
  }

  function askedField(number, one) {
    if (one.only) {
      return chosen(number + "." + one.name, one.label, [""].concat(one.choices), "", false);
    }
    var given = one.numeric ? { inputmode: "decimal" } : {};
    var parts = [];
    if (one.choices.length) {
      given.list = "count-levels-" + one.name;
      parts.push(el("datalist", { id: given.list }, one.choices.map(function (choice) { return el("option", { value: choice }); })));
    }
    var made = typed(number + "." + one.name, one.label, given);
    parts.forEach(function (part) { made.append(part); });
    return made;
  }

  function chosen(name, text, choices, usual, redraw) {
    var select = el("select", { id: "count-" + name, onchange: function () {
      set(name, select.value === usual ? "" : select.value);
      changed(!redraw);
    } }, choices.map(function (choice) {
      return el("option", { value: choice }, choice || "not noted");
    }));
    select.value = fields()[name] || usual;
    return labelled(text, select);
  }

  // The body of the job lies in most bins; a cover, tabs or an insert in those that are named.
  function papersForm(number) {
    var name = number + ".papers";
    var papers = field(number, "papers") || [["", "", ""]];
    function cell(index, place, text, given) {
      var input = el("input", Object.assign({
        id: "count-paper-" + index + "-" + place,
        type: "text",
        autocomplete: "off",
        maxlength: "100",
        oninput: function () {
          papers[index][place] = input.value;
          set(name, papers);
          changed(true);
        }
      }, given));
      input.value = papers[index][place];
      return labelled(text, input);
    }
    var rows = papers.map(function (paper, index) {
      var parts = index ? [cell(index, 0, "in bin", { placeholder: "1", class: "short" })] : [];
      if (asks("stock")) {
        parts.push(cell(index, 1, index ? "stock" : papers.length > 1 ? "stock of the other bins" : "stock of all bins", { list: "count-stocks" }));
      }
      if (asks("lot")) {
        parts.push(cell(index, 2, "lot", {}));
      }
      if (index) {
        parts.push(word("take out", function () {
          papers.splice(index, 1);
          set(name, papers);
          changed();
        }, { "aria-label": "Take out paper " + (index + 1) }));
      }
      return el("div", { class: "press" }, parts);
    });
    return el("div", {}, [
      el("datalist", { id: "count-stocks" }, offer.stocks.map(function (stock) {
        return el("option", { value: stock.code }, stock.told);
      }))
    ].concat(rows, [
      word("Another paper in some bins: a cover, tabs, an insert", function () {
        papers.push(["", "", ""]);
        set(name, papers);
        changed();
        focus("count-paper-" + (papers.length - 1) + "-0");
      }, { id: "count-paper-more" })
    ]));
  }

  function ofStretch(number) {
    return offer.asked
      .filter(function (one) { return one.of_stretch; })
      .map(function (one) { return typed(number + "." + one.name, one.label, { inputmode: "numeric" }); });
  }

  function over() {
    var number = stretches();
    var one = run();
    if (one.storing) {
      // Nothing can be typed that would not be stored.
      return [
        el("h1", { id: "count-head", tabindex: "-1" }, "Tower " + one.content.tower + ", run " + fields().run),
        el("p", { class: "finding", role: "status" }, "Storing …")
      ];
    }
    var parts = head();
    if ((one.problems || []).length) {
      parts.push(el("ul", { id: "problems", class: "warn plain", role: "alert", tabindex: "-1" }, one.problems.map(function (problem) {
        return el("li", {}, problem);
      })));
    }
    for (var before = 1; before < number; before += 1) {
      parts.push(el("div", { class: "press" }, [el("p", { class: "told" }, "Stretch " + before + ", " + summary(before))].concat(
        [counterField(before)], ofStretch(before))));
    }
    parts.push(
      el("div", { class: "press" }, [counterField(number), typed(number + ".ended", "ended", { maxlength: "25" })].concat(ofStretch(number), asks("note") ? [typed(number + ".note", "note")] : [])),
      el("p", { class: "finding" }, (number > 1 ? "Stretch " + number + ", " : "") + summary(number)),
      el("p", { class: "note" }, nought()),
      el("div", { class: "press" }, [
        button("Store this run", store, { id: "count-store" }),
        word("It is not over yet", notOver, { id: "count-not-over" })
      ])
    );
    return parts;
  }

  function summary(number) {
    var parts = KINDS.map(function (one) {
      if ((field(number, "off") || []).indexOf(one.kind) >= 0) {
        return one.kind + " not watched";
      }
      var so = counted(number, undefined, one.kind);
      return (so || "no") + " " + (so === 1 ? one.one : so ? one.kind : one.one);
    });
    return clock(field(number, "started")) + " to " + (clock(field(number, "ended")) || "now") + ": " + parts.join(" and ") + ".";
  }

  function nought() {
    return "Bins without a fault are stored with 0: watched, and none seen. If nothing was watching, say so under Put right.";
  }

  // ---- Mending a stored run

  function openMend(box) {
    box.querySelector("button").disabled = true;
    var query = new URLSearchParams({ tower: box.dataset.ofTower, run: box.dataset.ofRun });
    ask(box.dataset.run + "?" + query, "GET").then(function (got) {
      if (!got.told.rows) {
        box.append(el("p", { class: "warn", role: "alert" }, why(got).join(" ")));
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
      return el("tr", {}, [el("th", { scope: "row", class: "name" }, row.at)].concat(row.cells.map(function (cell, column) {
        var input = el("input", {
          type: "text",
          autocomplete: "off",
          maxlength: "400",
          "aria-label": shown.columns[column].label + ", " + row.at
        });
        input.value = cell;
        input.size = widths[column];
        // A line break does not stand in an input; who changes nothing changes it not.
        inputs.push({ input: input, was: input.value, row: index, column: shown.columns[column].name });
        return el("td", {}, input);
      })));
    });
    var trouble = el("ul", { class: "warn plain", role: "alert" });
    function send() {
      var changes = inputs
        .filter(function (one) { return one.input.value !== one.was; })
        .map(function (one) { return { row: one.row, column: one.column, value: one.input.value }; });
      var body = { tower: box.dataset.ofTower, run: box.dataset.ofRun, stood: shown.stood, changes: changes };
      ask(box.dataset.run, "POST", body).then(function (got) {
        if (got.told.told) {
          box.replaceChildren(el("p", { class: "finding", role: "status", tabindex: "-1" }, got.told.told), el("p", {}, button("Look at it as it stands", again)));
          box.firstChild.focus();
          return;
        }
        trouble.replaceChildren.apply(trouble, why(got).map(function (one) { return el("li", {}, one); }));
        trouble.scrollIntoView({ block: "nearest" });
      });
    }
    box.replaceChildren(
      el("p", { class: "note" }, "Type over what is wrong. An empty cell means not logged; off means that nothing was watching."),
      el("div", { class: "wide" }, el("table", { class: "say small mending" }, [
        el("thead", {}, el("tr", {}, [el("th", { scope: "col", class: "name" }, "bin")].concat(shown.columns.map(function (column) {
          return el("th", { scope: "col" }, column.label);
        })))),
        el("tbody", {}, rows)
      ])),
      trouble,
      el("div", { class: "press" }, [
        button("Store the correction", send, { id: "mend-store" }),
        word("Leave it as it is", again)
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
    ask(document.getElementById("log-intakes").dataset.takeBack + "/" + number, "POST", {}).then(function (got) {
      if (got.told.told) {
        again();
        return;
      }
      pressed.replaceWith(el("span", { class: "warn", role: "alert" }, why(got).join(" ")));
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

  // ---- When the page comes and goes

  function mount(found) {
    place = found;
    known = { store: place.dataset.store, drafts: place.dataset.drafts, offer: place.dataset.offer };
    place.dataset.live = "yes";
    // Not drawn anew, so that what is written into it is spoken.
    place.append(el("p", { id: "count-said", class: "unseen", role: "status" }));
    shown = place.appendChild(el("div"));
    if (!held) {
      load();
    }
    offer = offer || held.offer;
    draw();
    fetchOffer();
    window.clearInterval(looking);
    looking = window.setInterval(look, LOOK_AGAIN);
  }

  new MutationObserver(function () {
    var found = document.getElementById("log-count");
    if (found && !found.dataset.live) {
      mount(found);
    } else if (!found && place) {
      place = null;
      window.clearInterval(looking);
    }
  }).observe(document.documentElement, { childList: true, subtree: true });

  window.addEventListener("online", function () {
    if (place) {
      soon(0);
    }
  });
})();
