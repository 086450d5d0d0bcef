/* How a screen is drawn: elements, what stays in focus, the lines that say where it is kept. */
(function (count) {
  "use strict";

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
    if (!count.place) {
      return;
    }
    var active = document.activeElement;
    var where = count.place.contains(active) ? active.id : null;
    var picked = where && active.selectionStart !== undefined ? [active.selectionStart, active.selectionEnd] : null;
    var parts = !count.offer ? count.unreached() : count.run() ? (count.held.open === "over" ? count.over() : count.counting()) : count.choosing();
    count.shown.replaceChildren.apply(count.shown, parts.concat([el("p", { id: "count-note", class: "note" })]));
    document.getElementById("log-page").classList.toggle("counting", Boolean(count.offer && count.run()));
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
    var amiss = count.run() ? count.run().refused || "" : "";
    if (count.signedOut) {
      text = "You have been signed out; what you typed stays here.";
    } else if (amiss) {
      text = amiss;
    } else if (!count.reached) {
      text = count.unkept ? "No connection, and this device keeps nothing: leave this page open until there is one." : "No connection: kept on this device, and sent when there is one.";
    } else if (count.run() && count.unkept) {
      text = count.run().dirty ? "This device keeps nothing: leave this page open until it is sent." : "Kept in the store's folder alone; not yet in the log.";
    } else if (count.run()) {
      text = count.run().dirty ? "Kept on this device; being sent …" : "Kept on this device and in the store's folder; not yet in the log.";
    }
    line.classList.toggle("warn", Boolean(count.signedOut || amiss || !count.reached || (count.run() && count.unkept)));
    if (line.textContent.indexOf(text) !== 0 || !text) {
      line.textContent = text;
      if (count.signedOut) {
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

  function labelled(text, input) {
    return el("div", { class: "field" }, [el("label", { for: input.id }, text), input]);
  }

  Object.assign(count, {
    button: button,
    draw: draw,
    el: el,
    focus: focus,
    labelled: labelled,
    mark: mark,
    note: note,
    say: say,
    top: top,
    word: word
  });
})((window.feedtallyCount = window.feedtallyCount || {}));
