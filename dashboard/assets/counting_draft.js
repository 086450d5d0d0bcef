/* The run that is counted: its fields, its faults, its times. A draft is flat, so that two devices
   can count into one run: see analysis/entry.py, which reads it, and merge() below. */
(function (count) {
  "use strict";

  var KINDS = [
    { kind: "misses", one: "miss" },
    { kind: "doubles", one: "double" }
  ];

  var AIR = ["humidity_pct", "temperature_c"];

  function run() {
    return count.held.at ? count.held.runs[count.held.at] : null;
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
    var skew = count.held.skew === null ? -60000 * new Date().getTimezoneOffset() : count.held.skew;
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
    return hours >= -0.1 && hours <= count.offer.fresh_hours;
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

  function set(name, value) {
    if (value === "" || value === undefined) {
      delete fields()[name];
    } else {
      fields()[name] = value;
    }
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
    var asked = count.offer.asked.filter(function (one) {
      return one.name === column;
    })[0];
    var others = { to: "the counter", from: "the counter at the start", papers: "the papers", off: "what was watched for", empty: "bins left empty" };
    return asked ? asked.label : others[column] || column;
  }

  // What this device has of a run that is stored without it. What stands here as the server last
  // had it was not typed here since: another device went on with it.
  function notStored(base, mine, theirs) {
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
      if (columnOf(name) !== "air_at" && !same(value, base.fields[name]) && !same(value, theirs.fields[name])) {
        found.push(label(name) + " " + (typeof value === "string" ? value : JSON.stringify(value)));
      }
    });
    return found;
  }

  function towerOf(name) {
    return count.offer.towers.filter(function (one) {
      return one.tower === name;
    })[0];
  }

  function following(name) {
    var match = /^(.*?)(\d{1,12})$/.exec(name);
    return match ? match[1] + String(Number(match[2]) + 1).padStart(match[2].length, "0") : "";
  }

  // The next name that nobody else counts under.
  function freeName(tower, name) {
    var used = Object.keys(count.held.runs).map(function (one) {
      var content = count.held.runs[one].content;
      return content.tower === tower ? content.fields.run : null;
    });
    while (name && used.indexOf(name) >= 0) {
      name = following(name);
    }
    return name || minute(wall()).replace("T", "-").replace(":", "");
  }

  function asks(name) {
    return count.offer.asked.some(function (one) {
      return one.name === name;
    });
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

  Object.assign(count, {
    AIR: AIR,
    KINDS: KINDS,
    asks: asks,
    clock: clock,
    columnOf: columnOf,
    copy: copy,
    counted: counted,
    field: field,
    fields: fields,
    following: following,
    freeName: freeName,
    fresh: fresh,
    merge: merge,
    minute: minute,
    newName: newName,
    notStored: notStored,
    run: run,
    same: same,
    set: set,
    stretches: stretches,
    told: told,
    towerOf: towerOf,
    wall: wall,
    when: when
  });
})((window.feedtallyCount = window.feedtallyCount || {}));
