/* Counting a run at the tower: one fault after the other as it is seen, what was changed, what the
   counter shows. The connection there comes and goes, so all of it happens here: what is typed is
   kept on the device at once and sent when it can be. Nothing leaves this device before the server
   has said what became of it.

   A script to a subject, all of which share `count`: what they know stands below, and what one does
   for the others is added to it by each. None does anything before all have been loaded, so that
   their order does not matter.

     counting_draft.js     the run that is counted: its fields, faults and times; two devices' as one
     counting_kept.js      what is kept on this device
     counting_sent.js      what goes to the server, and what comes from it
     counting_done.js      what is done at the tower
     counting_drawn.js     how a screen is drawn
     counting_choosing.js  the screen where a tower is chosen
     counting_running.js   the screens of a run, as it goes and at its end
     counting_right.js     the form in which it is put right
     counting_mended.js    mending a stored run, taking an intake back */
(function (count) {
  "use strict";

  Object.assign(count, {
    place: null, // The element that is ours, and in it what is drawn.
    shown: null,
    known: null, // What it says of the store and of addresses; it outlasts the element.
    held: null, // Runs by name, which one is counted, what is open, what was told.
    offer: null, // What the server offers: towers, stocks, what is asked.
    reached: true, // Whether the server answered last time.
    signedOut: false,
    unkept: false, // Whether this device's storage takes nothing.
    sending: null // What is on its way to the server.
  });

  var LOOK_AGAIN = 8000;

  var looking = null;

  function mount(found) {
    count.place = found;
    count.known = { store: count.place.dataset.store, drafts: count.place.dataset.drafts, offer: count.place.dataset.offer };
    count.place.dataset.live = "yes";
    // Not drawn anew, so that what is written into it is spoken.
    count.place.append(count.el("p", { id: "count-said", class: "unseen", role: "status" }));
    count.shown = count.place.appendChild(count.el("div"));
    if (!count.held) {
      count.load();
    }
    count.offer = count.offer || count.held.offer;
    count.draw();
    count.fetchOffer();
    window.clearInterval(looking);
    looking = window.setInterval(count.look, LOOK_AGAIN);
  }

  new MutationObserver(function () {
    var found = document.getElementById("log-count");
    if (found && !found.dataset.live) {
      mount(found);
    } else if (!found && count.place) {
      count.place = null;
      window.clearInterval(looking);
    }
  }).observe(document.documentElement, { childList: true, subtree: true });

  window.addEventListener("online", function () {
    if (count.place) {
      count.soon(0);
    }
  });
})((window.feedtallyCount = window.feedtallyCount || {}));
