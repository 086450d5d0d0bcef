/* What is kept on this device: a key for each run, so that two windows do not overwrite each
   other's, one for what all windows share, and what this window shows. */
(function (count) {
  "use strict";

  var written = {}; // What storage holds, by key.

  function key() {
    return "feedtally-count-" + count.known.store;
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
      count.unkept = true;
    }
  }

  function load() {
    var here = read("sessionStorage", key()) || {};
    var all = read("localStorage", key()) || {};
    count.held = {
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
            count.held.runs[name.slice(key().length + 1)] = one;
          }
        }
      });
    } catch (off) {
      count.unkept = true;
    }
    if (!count.held.runs[count.held.at]) {
      count.held.at = null;
    }
  }

  function keep() {
    count.unkept = false;
    write("sessionStorage", key(), { at: count.held.at, open: count.held.open, told: count.held.told });
    write("localStorage", key(), { offer: count.held.offer, skew: count.held.skew, rests: count.held.rests });
    Object.keys(count.held.runs).forEach(function (name) {
      write("localStorage", key() + ":" + name, count.held.runs[name]);
    });
  }

  // A run leaves this device: only once it is known to be in the log, or put away on purpose.
  function drop(name) {
    delete count.held.runs[name];
    if (count.held.at === name) {
      count.held.at = null;
      count.held.open = "";
    }
    delete written[key() + ":" + name];
    try {
      window.localStorage.removeItem(key() + ":" + name);
    } catch (off) {
      // Then it never held it.
    }
  }

  Object.assign(count, {
    drop: drop,
    keep: keep,
    load: load
  });
})((window.feedtallyCount = window.feedtallyCount || {}));
