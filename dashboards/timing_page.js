/* The "try it" part of the designer's sheet: reads what is picked, shows what follows. */
(function () {
  "use strict";
  var engine = window.RemanenceTiming;
  var source = document.getElementById("timing-data");
  var form = document.getElementById("try-form");
  var output = document.getElementById("try-answers");
  if (!engine || !source || !form) { return; }
  var data = JSON.parse(source.textContent), words = data.words, byName = {}, rails = {};
  data.locks.forEach(function (lock) { byName[lock.lock] = lock; });
  data.rails.forEach(function (rail) { rails[rail.supply] = rail; });
  var separators = document.documentElement.getAttribute("data-separators") || ".,";

  function number(value, decimals) {
    if (value === null || !isFinite(value)) { return "\u2013"; }
    var text = Math.abs(value).toFixed(decimals || 0).split(".");
    text[0] = text[0].replace(/\B(?=(\d{3})+$)/g, separators.charAt(1));
    var whole = text.join(separators.charAt(0));
    return (value < 0 && /[1-9]/.test(whole) ? "\u2212" : "") + whole;
  }
  function unit(text, name) { return text === "\u2013" ? text : text + "\u00a0" + name; }
  function ms(value) { return unit(number(value, 0), "ms"); }
  function needed(value) { return value > 10000 ? "> 10\u00a0s" : ms(value); }
  function share(value, decimals) {
    if (value === null) { return "\u2013"; }
    var factor = Math.pow(10, decimals + 2);
    return number(100 * Math.floor(value * factor + 1e-6) / factor, decimals) + words.percent;
  }
  function signed(value) {
    return value === null ? "\u2013"
      : (value < 0 ? "\u2212" : value > 0 ? "+" : "") + ms(Math.abs(value));
  }
  function oneIn(chance) {
    var count = Math.floor(1 / chance + 1e-6);
    var step = Math.pow(10, Math.max(String(count).length - 2, 0));
    return Math.floor(count / step) * step;
  }
  function fill(key, values) {
    return words[key].replace(/\{(\w+)\}/g, function (whole, name) {
      return Object.prototype.hasOwnProperty.call(values, name) ? String(values[name]) : whole;
    });
  }
  function listing(names) {
    return names.length < 2 ? names.join("")
      : names.slice(0, -1).join(", ") + " " + words.and + " " + names[names.length - 1];
  }
  function element(name, text, attributes) {
    var made = document.createElement(name);
    if (text !== undefined && text !== null) { made.textContent = text; }
    Object.keys(attributes || {}).forEach(function (key) {
      made.setAttribute(key, attributes[key]);
    });
    return made;
  }

  function targetText() {
    var select = form.elements.target;
    return select.options[select.selectedIndex].textContent;
  }
  function picked() {
    return Array.prototype.slice.call(form.querySelectorAll("input[name=lock]:checked"))
      .map(function (box) { return byName[box.value]; });
  }
  function across() { return form.elements.range.checked; }
  function voltsOf(which) {
    var found = {};
    data.rails.forEach(function (rail) {
      var slider = form.querySelector('input[data-supply="' + CSS.escape(rail.supply) + '"]');
      found[rail.supply] = across() || !slider ? rail[which] : Number(slider.value);
    });
    return found;
  }

  function change(lock, pulse) {
    var now = lock.pulse_now_ms, seen = lock.seen_now;
    if (!pulse.change || pulse.change === "keep" || now === null
      || pulse.recommended_ms === null) { return null; }
    return fill("change." + pulse.change, { now: ms(now), seen: seen === null ? ""
      : fill("seen", { released: number(seen.released), commands: number(seen.commands) }),
      saved: number(100 * Math.max(1 - pulse.recommended_ms / now, 0), 0) + words.percent });
  }
  function note(lock, pulse) {
    var s = data.settings, values;
    if (["door", "unobserved", "coarse-clock"].indexOf(pulse.state) >= 0) {
      return words["none_" + pulse.state];
    }
    if (pulse.state === "too-few") { return fill("none_too-few", { count: number(lock.released) }); }
    if (pulse.state === "none") {
      values = { shortest: needed(pulse.shortest_ms), longest: ms(pulse.longest_ms),
        often: number(lock.busiest_cycle),
        duty: lock.duty_percent + words.percent };
      return fill(lock.longest_from === "duty_percent" ? "none_duty" : "none_rating", values);
    }
    if (pulse.state === "mend") {
      return fill("none_mend", { shortest: needed(pulse.shortest_ms), middle: ms(lock.part_need_ms) });
    }
    if (pulse.state === "tight") { return fill("tight", { margin: number(s.pulse_margin, 1) }); }
    if (pulse.falls_short === "misses") {
      return fill("falls_misses", { missed: number(lock.miss.missed),
        commands: number(lock.miss.commands) });
    }
    if (lock.mend_first) {
      return fill(lock.magnet ? "mend_magnet" : "mend_first", { middle: ms(lock.part_need_ms) });
    }
    if (pulse.beyond_usual) { return fill("beyond_usual", { usual: ms(s.usual_pulse_ms) }); }
    return pulse.untried ? words[pulse.below_log ? "test_shorter" : "test_other"] : "";
  }

  function cell(row, title, text, small, test, more, before) {
    var made = element("td", null, { "data-title": title,
      "class": text === "\u2013" && test !== "pulse" ? "num none" : "num" });
    if (before) { made.appendChild(document.createTextNode(before + " ")); }
    made.appendChild(element("span", text, { "data-test": test }));
    [small].concat(more || []).filter(Boolean).forEach(function (line) {
      made.appendChild(element("small", line));
    });
    row.appendChild(made);
  }
  function cueCell(row, title, cue, test) {
    cell(row, title, cue.feedback ? words.from_feedback : signed(cue.offset_ms), cue.feedback
      || cue.share === null ? null : fill("share_inside", { share: share(cue.share, 0),
        least: share(cue.share_low, 0) }), test);
  }

  function promised(pulse) {
    if (pulse.expected === null) { return null; }
    var kind = pulse.falls_short === "few"
      ? (pulse.stated === null ? "falls_none" : "falls_few")
      : pulse.falls_short ? "expected" : "met";
    return fill(kind, { target: targetText(), expected: share(pulse.expected, 2) });
  }

  function table(locks, answers) {
    var made = element("table", null, { "class": "answers" });
    made.appendChild(element("caption", words["lock"], { "class": "unseen" }));
    var head = element("tr");
    var magnets = locks.every(function (lock) { return lock.magnet; });
    ["lock", magnets ? "off_time" : "pulse", "opens", "retry", "retries", "stuck", "sound",
      "light"].forEach(function (key, i) {
      head.appendChild(element("th", words[key], i ? { scope: "col", "class": "num" }
        : { scope: "col" }));
    });
    made.appendChild(element("thead")).appendChild(head);
    locks.forEach(function (lock, i) {
      var answer = answers[i], pulse = answer.pulse, wait = answer.wait;
      var body = made.appendChild(element("tbody", null, { "data-test": "try-" + lock.lock }));
      var row = body.appendChild(element("tr", null, { "class": "values" }));
      var name = row.appendChild(element("th", null, { scope: "row" }));
      name.appendChild(element("span", lock.lock, { "class": "name" }));
      if (lock.state_says) {
        name.appendChild(element("small", lock.state_says, { "class": "lock-state" }));
      }
      if (lock.room) { name.appendChild(element("small", lock.room)); }
      var between = pulse.recommended_ms === null ? null
        : fill(pulse.longest_ms === null ? "from_up" : "between", { target: targetText(),
          shortest: ms(pulse.shortest_ms), longest: ms(pulse.longest_ms) });
      cell(row, lock.magnet ? words.off_time : words.pulse, ms(pulse.recommended_ms), change(lock, pulse),
        "pulse", [between, pulse.untried ? words.test_first : null],
        pulse.change === "keep" ? words.keep : null);
      cell(row, words.opens, pulse.stated === null ? "\u2013"
        : fill("at_least", { share: share(pulse.stated, 2) }), promised(pulse), "opens");
      cell(row, words.retry, ms(wait.retry_ms), null, "retry");
      cell(row, words.retries, number(wait.retries, 0), null, "retries");
      cell(row, words.stuck, ms(wait.stuck_ms), wait.left
        ? fill("left", { count: number(oneIn(wait.left), 0) }) : null, "stuck");
      cueCell(row, words.sound, answer.sound, "sound");
      cueCell(row, words.light, answer.light, "light");
      var said = note(lock, pulse);
      if (said) {
        row.className += " has-notes";
        var under = body.appendChild(element("tr", null, { "class": "notes" }));
        under.appendChild(element("td", null, { colspan: "8" })).appendChild(element("p", said));
      }
    });
    return made;
  }

  function groupBlock(group) {
    var box = element("section", null, { "class": "group", "data-test": "try-together" });
    box.appendChild(element("h3", words["try.together"]));
    var list = box.appendChild(element("dl", null, { "class": "facts" }));
    function line(title, text) {
      list.appendChild(element("dt", title));
      list.appendChild(element("dd", text));
    }
    line(words["group.spread"], group.spread_median_ms === null ? words["group.spread_unknown"]
      : fill("group.spread_worked", { median: ms(group.spread_median_ms),
        most: ms(group.spread_most_ms) }));
    if (group.aligned_median_ms !== null) {
      var delays = group.locks.map(function (lock, i) {
        return group.delays_ms[i] > 0 ? lock + " +" + ms(group.delays_ms[i]) : "";
      }).filter(Boolean).join(", ") || words["group.no_delay"];
      line(words["group.align"], fill("group.align_says", { delays: delays,
        median: ms(group.aligned_median_ms), most: ms(group.aligned_most_ms) }) + ": " +
        words[group.one_event ? "group.one_event" : "group.not_one_event"]);
    }
    group.rails.forEach(function (rail) {
      line(words["group.rail"], rail.over_rating
        ? fill("group.rail_over", { rail: rail.supply, amps: unit(number(rail.amps, 1), "A"),
          rated: unit(number(rails[rail.supply].rated_amps, 1), "A") })
        : rail.bears === null
        ? fill("group.rail_unknown", { rail: rail.supply })
        : fill(rail.bears ? "group.rail_bears" : "group.rail_fails", { rail: rail.supply,
          lowest: unit(number(rail.lowest_volts, 2), "V"),
          window: unit(number(rail.window_volts, 1), "V") }));
    });
    line(words["group.stagger"], group.batches.length < 2 ? words["group.stagger_none"]
      : group.batches.map(function (batch, i) {
        return fill("group.stagger_batch", { start: ms(group.starts_ms[i]),
          locks: listing(batch) });
      }).join("; "));
    if (group.left_out.length) {
      box.appendChild(element("p", fill("group.left_out", { locks: listing(group.left_out) }),
        { "class": "small" }));
    }
    return box;
  }

  /* One line a lock, as a file for a spreadsheet: text that begins like a formula stays text. */
  var given = [], saveLine = document.querySelector(".try-save");
  function csvCell(value) {
    var text = value === null || value === undefined ? "" : String(value);
    if (typeof value === "string" && /^ *[=+\-@\t\r\n]/.test(text)) { text = "'" + text; }
    return /[",\n\r]/.test(text) ? '"' + text.replace(/"/g, '""') + '"' : text;
  }
  function csvRows(locks, answers, target, risk) {
    var rows = [["lock", "room", "state", "release_target_share", "false_alarm_share",
      "at_volts", "pulse_state", "pulse_recommended_ms", "pulse_now_ms", "pulse_change",
      "pulse_shortest_ms", "pulse_longest_ms", "test_first", "releases_at_first_try_share",
      "expected_at_first_try_share",
      "retry_after_ms", "retries", "stuck_after_ms", "cue_sound_after_ms",
      "cue_light_after_ms"].join(",")];
    locks.forEach(function (lock, i) {
      var answer = answers[i], pulse = answer.pulse, wait = answer.wait;
      rows.push([lock.lock, lock.room, lock.state, target, risk, answer.slow_volts,
        pulse.state, pulse.recommended_ms, lock.pulse_now_ms, pulse.change, pulse.shortest_ms,
        pulse.longest_ms, pulse.untried ? "yes" : "", pulse.stated, pulse.expected,
        wait.retry_ms, wait.retries,
        wait.stuck_ms, answer.sound.feedback ? "feedback" : answer.sound.offset_ms,
        answer.light.feedback ? "feedback" : answer.light.offset_ms].map(csvCell).join(","));
    });
    return rows;
  }

  function show() {
    var locks = picked(), target = form.elements.target.value, risk = form.elements.risk.value;
    var slow = voltsOf("low_volts"), usual = voltsOf("typical_volts");
    Array.prototype.forEach.call(form.querySelectorAll("input[data-supply]"), function (slider) {
      var rail = rails[slider.getAttribute("data-supply")], value = Number(slider.value);
      slider.disabled = across();
      slider.parentNode.hidden = !locks.some(function (lock) {
        return lock.supply === rail.supply;
      });
      var beyond = !across() && (value < rail.low_volts || value > rail.high_volts);
      slider.parentNode.querySelector("output").textContent = across() ? ""
        : unit(number(value, 1), "V") + (beyond ? ", " + words["try.outside"] : "");
      slider.parentNode.classList.toggle("beyond", beyond);
    });
    output.textContent = "";
    given = [];
    saveLine.hidden = !locks.length;
    if (!locks.length) {
      output.appendChild(element("p", words["try.pick"], { "class": "muted" }));
      return;
    }
    var answers = locks.map(function (lock) {
      return engine.lockAnswer(data, lock, target, risk, slow[lock.supply], usual[lock.supply]);
    });
    given = csvRows(locks, answers, target, risk);
    output.appendChild(table(locks, answers));
    if (locks.length > 1) {
      output.appendChild(groupBlock(engine.together(data, locks, usual, slow, target)));
    }
  }

  /* What is picked stands in the page's address, behind the "#": send it to share it. */
  var roomForm = document.getElementById("room-filter");
  function readAddress() {
    var text = window.location.hash.slice(1);
    if (text.indexOf("=") < 0) { return; }
    var asked = new URLSearchParams(text), wanted = (asked.get("locks") || "").split(",");
    each("input[name=lock]", function (box) {
      box.checked = wanted.indexOf(encodeURIComponent(box.value)) >= 0;
    });
    ["target", "risk"].forEach(function (name) {
      var select = form.elements[name], value = asked.get(name);
      if (Array.prototype.some.call(select.options, function (item) {
        return item.value === value;
      })) { select.value = value; }
    });
    var volts = asked.get("volts");
    form.elements.range.checked = volts === null;
    (volts || "").split(",").forEach(function (pair) {
      var part = pair.split(":"), value = Number(part[1]);
      each("input[data-supply]", function (slider) {
        if (encodeURIComponent(slider.getAttribute("data-supply")) === part[0] && isFinite(value)) {
          slider.value = value;
        }
      });
    });
    if (roomForm) {
      var room = asked.get("room") || "", select = roomForm.elements.room;
      select.value = room;
      if (select.selectedIndex < 0) { select.value = ""; }
    }
  }
  function writeAddress() {
    var parts = new URLSearchParams(), names = picked().map(function (lock) {
      return encodeURIComponent(lock.lock);
    });
    if (roomForm && roomForm.elements.room.value) { parts.set("room", roomForm.elements.room.value); }
    parts.set("locks", names.join(","));
    parts.set("target", form.elements.target.value);
    parts.set("risk", form.elements.risk.value);
    if (!across()) {
      var volts = [];
      each("input[data-supply]", function (slider) {
        volts.push(encodeURIComponent(slider.getAttribute("data-supply")) + ":" + slider.value);
      });
      parts.set("volts", volts.join(","));
    }
    window.history.replaceState(null, "", "#" + parts.toString());
  }
  function each(selector, does) {
    Array.prototype.forEach.call(document.querySelectorAll(selector), does);
  }
  function showRoom() {
    var room = roomForm ? roomForm.elements.room.value : "";
    each("[data-room]", function (part) {
      part.hidden = room !== "" && part.getAttribute("data-room") !== room;
    });
  }
  if (roomForm) {
    roomForm.hidden = false;
    roomForm.addEventListener("input", function () { showRoom(); writeAddress(); });
    roomForm.addEventListener("submit", function (event) { event.preventDefault(); });
  }
  document.getElementById("try-save").addEventListener("click", function () {
    var link = element("a", null, { download: "answers.csv", href: URL.createObjectURL(
      new Blob([given.join("\n") + "\n"], { type: "text/csv" })) });
    link.click();
    URL.revokeObjectURL(link.href);
  });
  window.addEventListener("hashchange", function () { readAddress(); showRoom(); show(); });

  form.addEventListener("input", function () { show(); writeAddress(); });
  form.addEventListener("submit", function (event) { event.preventDefault(); });
  form.addEventListener("click", function (event) {
    var pick = event.target.getAttribute("data-pick");
    if (!pick) { return; }
    Array.prototype.forEach.call(form.querySelectorAll("input[name=lock]"), function (box) {
      if (pick === "none" || !box.closest("[data-room]").hidden) { box.checked = pick === "all"; }
    });
    show();
    writeAddress();
  });
  var first = form.querySelector("input[name=lock]");
  if (first && !form.querySelector("input[name=lock]:checked")) { first.checked = true; }
  form.hidden = false;
  readAddress();
  showRoom();
  show();
}());
