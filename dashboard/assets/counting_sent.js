/* What goes to the server, and what comes from it: drafts, runs to store, what is offered. */
(function (count) {
  "use strict";

  var SEND_AFTER = 600;

  var TRY_AGAIN = 4000;

  var turn = 0;

  var waiting = null;

  // ``what`` is "log" for what somebody did; looks that the page takes by itself say "look", and do
  // not keep anybody signed in.
  function ask(address, method, body, what) {
    return fetch(address, {
      method: method,
      headers: { "X-Feedtally": what || "log", "Content-Type": "application/json" },
      body: body === undefined ? undefined : JSON.stringify(body)
    }).then(
      function (answer) {
        count.signedOut = answer.status === 401;
        count.reached = true;
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
        count.reached = false;
        return { status: 0, told: {} };
      }
    );
  }

  function of(name) {
    return count.known.drafts + "/" + name;
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
    count.run().dirty = true;
    count.held.told = null;
    count.keep();
    soon(SEND_AFTER);
    if (!quietly) {
      count.draw();
    }
  }

  function soon(after) {
    window.clearTimeout(waiting);
    waiting = window.setTimeout(send, after);
  }

  // Runs with something to send, one after the other: none waits for another that is refused.
  function dirty() {
    var names = Object.keys(count.held.runs).filter(function (name) {
      // One that is being stored is on its way already.
      return count.held.runs[name].dirty && !count.held.runs[name].storing;
    });
    turn += 1;
    return names.length ? names[turn % names.length] : undefined;
  }

  // Should an answer be lost, what the server has is known again by what was sent.
  function remember(one, sent) {
    one.sent = (one.sent || []).concat([sent]).slice(-20);
  }

  function send() {
    var name = count.place && dirty();
    if (!name || count.sending) {
      return;
    }
    var one = count.held.runs[name];
    var sent = count.copy(one.content);
    remember(one, sent);
    count.keep();
    count.sending = ask(of(name), "PUT", { revision: one.revision, content: sent }).then(function (got) {
      count.sending = null;
      one = count.held.runs[name];
      if (!one) {
        return;
      }
      one.refused = "";
      if (got.told.kept) {
        one.revision = got.told.kept.revision;
        one.base = sent;
        one.sent = [];
        one.dirty = !count.same(one.content, sent);
      } else if (got.told.overtaken) {
        overtaken(name, got.told.overtaken);
      } else if (count.reached) {
        one.refused = why(got).join(" ");
      }
      count.keep();
      count.note();
      if (dirty()) {
        soon(count.reached && got.status === 200 && !got.told.problems ? SEND_AFTER : TRY_AGAIN);
      }
    });
  }

  // Another device saved the run, stored it, or put it away; or this one did, and the answer was
  // lost.
  function overtaken(name, there) {
    var one = count.held.runs[name];
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
      return count.same(there.content, sent);
    });
    var base = ours ? there.content : one.base || { fields: {}, faults: {} };
    var both = !ours && !count.same(base.fields.stretches, there.content.fields.stretches);
    var mine = !count.same(base.fields.stretches, one.content.fields.stretches);
    var merged = count.merge(base, one.content, there.content);
    one.content = merged.content;
    one.base = count.copy(there.content);
    one.sent = [];
    one.dirty = !count.same(one.content, there.content);
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
    count.draw();
  }

  // What others counted into the run that is shown here.
  function look() {
    var name = count.held && count.held.at;
    if (!count.place || !name || document.hidden || count.sending || count.held.runs[name].dirty || !count.held.runs[name].revision) {
      return;
    }
    settle(name);
  }

  // Ask what became of a run that has nothing to send.
  function settle(name) {
    return ask(of(name), "GET", undefined, "look").then(function (got) {
      var one = count.held.runs[name];
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
        count.drop(name);
        count.held.told = { sentence: "Run " + one.content.fields.run + " of tower " + one.content.tower + " was put away on another device." };
        count.keep();
        count.draw();
      } else if (there.revision > one.revision) {
        one.content = there.content;
        one.base = count.copy(there.content);
        one.revision = there.revision;
        count.keep();
        count.draw();
      }
      count.note();
    });
  }

  function finished(name, there) {
    var one = count.held.runs[name];
    var run = one.content.fields.run;
    var base = one.base || { fields: {}, faults: {} };
    var rest = there.content && there.content.fields ? count.notStored(base, one.content, there.content) : [];
    if (rest.length) {
      count.held.rests.push({ tower: one.content.tower, run: there.content.fields.run, rest: rest });
    }
    count.held.told = { sentence: there.stored, tower: one.content.tower, run: there.content && there.content.fields ? there.content.fields.run : run };
    // Known here before the server offers anew.
    var tower = count.offer && count.towerOf(one.content.tower);
    if (tower) {
      tower.run = count.following(count.held.told.run) || tower.run;
    }
    count.drop(name);
    count.held.open = "";
    count.keep();
    fetchOffer();
    count.draw(true);
  }

  function store() {
    var name = count.held.at;
    var one = count.run();
    if (one.note) {
      one.problems = [one.note];
      count.draw();
      count.focus("problems");
      return;
    }
    var sent = count.copy(one.content);
    one.problems = [];
    one.storing = true;
    count.draw();
    // What is on its way arrives first, so that no revision overtakes another.
    (count.sending || Promise.resolve())
      .then(function () {
        remember(one, sent);
        return ask(of(name) + "/store", "POST", { revision: one.revision, content: sent });
      })
      .then(function (got) {
        one = count.held.runs[name];
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
          if (!count.held.runs[name]) {
            return;
          }
          one.problems = ["Another device counted into this run meanwhile. Look at it once more, then store it."];
        } else {
          one.problems = why(got);
        }
        count.keep();
        count.draw();
        count.focus("problems");
        if (dirty()) {
          soon(TRY_AGAIN);
        }
      });
  }

  function fetchOffer() {
    return ask(count.known.offer, "GET").then(function (got) {
      if (got.told.towers) {
        count.offer = got.told;
        count.held.offer = count.copy(count.offer);
        count.held.offer.drafts = [];
        count.held.offer.away = [];
        count.held.skew = Date.parse(count.offer.now + "Z") - Date.now();
        taken(count.offer.drafts);
        count.keep();
      } else {
        count.offer = count.offer || count.held.offer;
        if (count.reached && !count.offer) {
          count.held.told = { sentence: why(got).join(" ") };
        }
      }
      count.draw();
      if (dirty()) {
        soon(0);
      }
    });
  }

  // Drafts that the server has: newer than those on this device, or not known here yet.
  function taken(drafts) {
    var there = {};
    drafts.forEach(function (draft) {
      var one = count.held.runs[draft.name];
      there[draft.name] = true;
      if (!one) {
        count.held.runs[draft.name] = { content: draft.content, base: count.copy(draft.content), revision: draft.revision, dirty: false };
      } else if (!one.dirty && draft.revision > one.revision) {
        one.content = draft.content;
        one.base = count.copy(draft.content);
        one.revision = draft.revision;
      }
    });
    Object.keys(count.held.runs).forEach(function (name) {
      // Stored or put away elsewhere, or lost there: it is asked, never guessed.
      if (!there[name] && !count.held.runs[name].dirty && count.held.runs[name].revision) {
        settle(name);
      }
    });
  }

  Object.assign(count, {
    ask: ask,
    changed: changed,
    fetchOffer: fetchOffer,
    look: look,
    of: of,
    soon: soon,
    store: store,
    why: why
  });
})((window.feedtallyCount = window.feedtallyCount || {}));
