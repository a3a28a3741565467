/* Answers for the locks, risk and volts that are picked, from the numbers in the page.
   The same arithmetic in the same order as analytics/timing/answer.py and
   analytics/timing/together.py; a test holds the two together. Loads nothing. */
(function () {
  "use strict";
  var TINY = 1e-9, JUST = 1e-9, TRIED_WITHIN = 0.1;
  var PLACES = [[-1.0530, 1 / 6], [0, 2 / 3], [1.0530, 1 / 6]];

  function roundUp(value, step) { return Math.ceil(value / step - TINY) * step; }

  function scaleBy(lock, volts, power) {
    return volts === null || lock.reference_volts === null ? 1
      : Math.pow(volts / lock.reference_volts, power);
  }
  function safeScale(lock, volts) {
    return scaleBy(lock, volts, volts !== null && volts < lock.reference_volts
      ? lock.exponent_steep : lock.exponent_shallow);
  }
  function likelyScale(lock, volts) { return scaleBy(lock, volts, lock.exponent); }
  function known(table, key) {
    return Object.prototype.hasOwnProperty.call(table, key) ? table[key] : null;
  }

  function statedShare(data, lock, pulse, scale) {
    var best = 0;
    data.target_keys.forEach(function (key) {
      var need = known(lock.need_ms, key);
      if (need !== null && need * scale <= pulse) { best = Number(key); }
    });
    var least = best * (1 - lock.miss.upper);
    if (lock.basis === "borrowed") {
      if (!lock.own_least.length) { return null; }
      var released = lock.own_need_ms.filter(function (ms) { return ms * scale <= pulse; }).length;
      least = Math.min(least, lock.own_least[lock.own_least.length - 1 - released]);
    }
    return Math.floor(least * 1e5 + TINY) / 1e5;
  }

  function expectedShare(lock, pulse, scale) {
    var points = lock.need_points_ms;
    var body = points.filter(function (need) { return need * scale <= pulse; }).length
      / Math.max(points.length, 1);
    var covered = lock.slow_ms !== null && lock.slow_ms * scale <= pulse;
    var slow = covered ? 0 : lock.slow.mean;
    return Math.floor(body * (1 - slow) * (1 - lock.miss.mean) * 1e5 + TINY) / 1e5;
  }

  function pulseAnswer(data, lock, key, volts) {
    var s = data.settings, target = Number(key), longest = lock.longest_ms;
    var need = known(lock.need_ms, key);
    var out = { state: lock.obstacle || "too-few", shortest_ms: null, longest_ms: longest,
      recommended_ms: null, stated: null, expected: null, change: "", falls_short: "", untried: false,
      below_log: false, beyond_usual: false };
    if (lock.obstacle || need === null) { return out; }
    var scale = safeScale(lock, volts), shortest = roundUp(need * scale, 1);
    var wanted = lock.magnet ? shortest * s.magnet_margin + s.magnet_person_ms
      : shortest * s.pulse_margin;
    var pulse = roundUp(wanted, s.pulse_step_ms);
    out.state = "good";
    out.shortest_ms = shortest;
    if (lock.mend_first && !lock.magnet && pulse > s.usual_pulse_ms) {
      out.state = "mend";
      return out;
    }
    if (longest !== null && shortest > longest) { out.state = "none"; return out; }
    if (longest !== null && pulse > longest) {
      out.state = "tight";
      pulse = Math.max(Math.floor(longest / s.pulse_step_ms + TINY) * s.pulse_step_ms, shortest);
    }
    var large = !lock.magnet && pulse > s.usual_pulse_ms;
    var now = lock.magnet ? null : lock.pulse_now_ms;
    if (now !== null) {
      if (now < shortest) { out.change = "short"; }
      else if (longest !== null && now > longest) { out.change = "long"; }
      else if (now < Math.min(wanted, pulse)) { out.change = "margin"; }
      else if (lock.shorter_for && now > pulse) { out.change = lock.shorter_for; }
      else { out.change = "keep"; pulse = now; }
    }
    out.recommended_ms = pulse;
    out.stated = statedShare(data, lock, pulse, scale);
    out.expected = expectedShare(lock, pulse, scale);
    if (out.stated === null || out.stated < target) {
      out.falls_short = lock.silent.indexOf(key) >= 0 ? "misses" : "few";
    }
    out.untried = !lock.magnet && !lock.tried_ms.some(function (tried) {
      return Math.abs(tried - pulse) <= TRIED_WITHIN * pulse;
    });
    out.below_log = !lock.magnet && lock.pulse_least_ms !== null && pulse < lock.pulse_least_ms;
    out.beyond_usual = large;
    return out;
  }

  function waitAnswer(data, lock, key, volts, pulse) {
    var s = data.settings, risk = Number(key), late = known(lock.late_ms, key);
    if (lock.obstacle || lock.kind === "door" || late === null || pulse === null) {
      return { late_ms: null, retry_ms: null, retries: null, stuck_ms: null, left: null };
    }
    var lateMs = roundUp(late * safeScale(lock, volts), s.wait_step_ms);
    var retry = Math.max(lateMs, s.retry_least_ms, pulse), most = s.retries_most;
    if (!lock.magnet && lock.duty_percent) {
      var share = lock.duty_percent / 100;
      most = Math.min(most, Math.floor(share * s.duty_cycle_ms / pulse + TINY) - 1);
      if (most < 1) { retry = Math.max(retry, pulse / share); }
    }
    retry = roundUp(retry, s.wait_step_ms);
    var left = lock.miss.mean * lock.again.mean, retries = 1;
    while (left > risk && retries < most) {
      left = left * lock.again.mean;
      retries += 1;
    }
    return { late_ms: lateMs, retry_ms: retry, retries: retries,
      stuck_ms: retries * retry + lateMs, left: left };
  }

  function tenthsOf(points, scale, delay) {
    return points.map(function (point) {
      return Math.floor((point * scale + delay) * 10 + 0.5);
    });
  }
  function tenths(lock, volts, delay) {
    return tenthsOf(lock.points_ms, likelyScale(lock, volts), delay);
  }

  function inside(points, offset, before, after) {
    var low = offset - Math.round(before * 10), high = offset + Math.round(after * 10);
    return points.filter(function (point) { return low <= point && point <= high; }).length;
  }

  function bestWindow(points, before, after, least) {
    var steps = {};
    points.forEach(function (point) {
      var start = point - Math.round(after * 10), end = point + Math.round(before * 10) + 1;
      steps[start] = (steps[start] || 0) + 1;
      steps[end] = (steps[end] || 0) - 1;
    });
    var edges = Object.keys(steps).map(Number).sort(function (a, b) { return a - b; });
    var count = 0, best = 0;
    var levels = edges.map(function (edge) {
      count += steps[edge];
      best = Math.max(best, count);
      return count;
    });
    var wanted = least > 0 ? least : best, first = 0, last = 0, any = false, i = 0;
    while (i < edges.length) {
      if (levels[i] >= wanted) {
        var start = edges[i];
        while (i < edges.length && levels[i] >= wanted) { i += 1; }
        var end = edges[i] - 1;
        if (!any || end - start > last - first) { first = start; last = end; any = true; }
      }
      i += 1;
    }
    return { first: first, last: last, best: best };
  }

  function wilsonLow(share, count) {
    var z2 = 3.841458820694124, middle = share + z2 / (2 * count);
    var half = Math.sqrt(z2) * Math.sqrt(share * (1 - share) / count + z2 / (4 * count * count));
    return Math.max((middle - half) / (1 + z2 / count), 0);
  }

  function moved(points, factor) {
    return points.map(function (point) { return Math.floor(point * factor + 0.5); });
  }
  function judgedApart(folds, places, before, after, wideBefore, wideAfter) {
    var share = 0, accepted = 0;
    folds.forEach(function (fold, number) {
      var others = [];
      folds.forEach(function (part, other) {
        if (other !== number) { others = others.concat(part); }
      });
      var top = bestWindow(others.length ? others : fold, before, after, 0);
      var offset = Math.floor((top.first + top.last) / 20 + 0.5) * 10;
      places.forEach(function (place) {
        var there = moved(fold, place[0]);
        share += place[1] * inside(there, offset, before, after) / fold.length;
        accepted += place[1] * inside(there, offset, wideBefore, wideAfter) / fold.length;
      });
    });
    return { share: Math.min(share / folds.length, 1),
      accepted: Math.min(accepted / folds.length, 1) };
  }

  function cueAnswer(data, lock, volts, sound) {
    var s = data.settings;
    if (lock.obstacle || lock.kind === "door" || !lock.points_ms.length) {
      return { offset_ms: null, from_ms: null, to_ms: null, share: null, share_low: null,
        accepted: null, feedback: false };
    }
    var points = tenths(lock, volts, 0), n = points.length;
    var before = sound ? s.late_ms : s.early_ms, after = sound ? s.early_ms : s.late_ms;
    var wideBefore = sound ? s.accept_late_ms : s.accept_early_ms;
    var wideAfter = sound ? s.accept_early_ms : s.accept_late_ms;
    var top = bestWindow(points, before, after, 0);
    var offset = Math.floor((top.first + top.last) / 20 + 0.5) * 10;
    var near = bestWindow(points, before, after, top.best - Math.floor(n / 100));
    var scale = likelyScale(lock, volts);
    var folds = lock.cue_folds_ms.map(function (part) { return tenthsOf(part, scale, 0); });
    var places = lock.location_factor > 1 ? PLACES.map(function (place) {
      return [Math.pow(lock.location_factor, place[0]), place[1]];
    }) : [[1, 1]];
    var judged = judgedApart(folds.length ? folds : [points], places, before, after, wideBefore,
      wideAfter), share = judged.share, low = share;
    if (lock.location_factor > 1) {
      [lock.location_factor, 1 / lock.location_factor].forEach(function (factor) {
        low = Math.min(low, inside(moved(points, factor), offset, before, after) / n);
      });
    }
    low = wilsonLow(low, Math.max(lock.independent, 1)) * (1 - lock.slow.upper);
    return { offset_ms: offset / 10, from_ms: Math.ceil(near.first / 10),
      to_ms: Math.floor(near.last / 10), share: share,
      share_low: Math.floor(low * 1e3 + TINY) / 1e3,
      accepted: judged.accepted,
      feedback: low < s.cue_share_least || lock.slow_magnet };
  }

  function lockAnswer(data, lock, target, risk, slowVolts, cueVolts) {
    var pulse = pulseAnswer(data, lock, target, slowVolts);
    return { lock: lock.lock, slow_volts: slowVolts, cue_volts: cueVolts, pulse: pulse,
      wait: waitAnswer(data, lock, risk, slowVolts, pulse.recommended_ms),
      sound: cueAnswer(data, lock, cueVolts, true),
      light: cueAnswer(data, lock, cueVolts, false) };
  }

  function shareWithin(arrays, spread) {
    var total = 0;
    arrays.forEach(function (first, i) {
      var product = first.map(function () { return 1; });
      arrays.forEach(function (other, j) {
        if (j === i) { return; }
        var start = 0, end = 0, n = other.length;
        first.forEach(function (value, k) {
          while (start < n && (other[start] < value || (j < i && other[start] === value))) {
            start += 1;
          }
          while (end < n && other[end] <= value + spread) { end += 1; }
          product[k] = product[k] * (Math.max(end - start, 0) / n);
        });
      });
      total += product.reduce(function (sum, value) { return sum + value; }, 0) / first.length;
    });
    return total;
  }

  function rangeQuantile(arrays, share) {
    var low = 0;
    var high = Math.max.apply(null, arrays.map(function (a) { return a[a.length - 1]; })) -
      Math.min.apply(null, arrays.map(function (a) { return a[0]; }));
    while (low < high) {
      var middle = Math.floor((low + high) / 2);
      if (shareWithin(arrays, middle) >= share - JUST) { high = middle; } else { low = middle + 1; }
    }
    return low;
  }

  function spreadOf(release) {
    return release.length < 2 ? [null, null]
      : [rangeQuantile(release, 0.5) / 10, rangeQuantile(release, 0.95) / 10];
  }

  function loadOf(lock, volts) {
    if (lock.magnet) { return 0; }
    if (lock.sag_volts === null || volts === null || lock.sag_volts >= volts) { return null; }
    return Math.max(lock.sag_volts, 0) / (volts - Math.max(lock.sag_volts, 0));
  }

  function addedAmps(lock) { return (lock.magnet ? -1 : 1) * (lock.amps || 0); }

  function batchesOf(data, locks, rails, volts, loads, target) {
    var order = locks.map(function (lock, i) { return i; }).sort(function (a, b) {
      return (loads[b] || 0) - (loads[a] || 0) || a - b;
    });
    var batches = [], held = [];
    order.forEach(function (i) {
      var lock = locks[i], rail = rails[lock.supply], before = volts[lock.supply], put = false;
      var load = loads[i] || 0, amps = addedAmps(lock);
      var room = before === null ? Infinity : before / rail.window_volts - 1;
      var spare = rail.rated_amps === null ? Infinity : rail.rated_amps - rail.resting_amps;
      for (var k = 0; k < batches.length && !put; k += 1) {
        var taken = held[k][lock.supply] || [0, 0];
        if (taken[0] + load <= room + JUST && taken[1] + amps <= spare + JUST) {
          batches[k].push(i);
          held[k][lock.supply] = [taken[0] + load, taken[1] + amps];
          put = true;
        }
      }
      if (!put) {
        batches.push([i]);
        held.push({});
        held[held.length - 1][lock.supply] = [load, amps];
      }
    });
    var starts = [], start = 0;
    batches.forEach(function (batch) {
      starts.push(start);
      var longest = 0;
      batch.forEach(function (i) {
        var pulse = pulseAnswer(data, locks[i], target, volts[locks[i].supply]);
        longest = Math.max(longest, pulse.recommended_ms || locks[i].pulse_now_ms || 0);
      });
      start = roundUp(start + longest, data.settings.wait_step_ms);
    });
    return { starts: starts, batches: batches.map(function (batch) {
      return batch.sort(function (a, b) { return a - b; })
        .map(function (i) { return locks[i].lock; });
    }) };
  }

  function together(data, locks, volts, lowVolts, target) {
    var rails = {};
    data.rails.forEach(function (rail) { rails[rail.supply] = rail; });
    function loadsAt(level) {
      return locks.map(function (lock) { return loadOf(lock, level[lock.supply]); });
    }
    var loads = loadsAt(volts), lowLoads = loadsAt(lowVolts), sums = {}, lowSums = {};
    locks.forEach(function (lock, i) {
      sums[lock.supply] = (sums[lock.supply] || 0) + (loads[i] || 0);
      lowSums[lock.supply] = (lowSums[lock.supply] || 0) + (lowLoads[i] || 0);
    });
    var inGroup = [], leftOut = [], release = [];
    locks.forEach(function (lock, i) {
      if (!lock.points_ms.length || lock.obstacle || lock.kind === "door") {
        leftOut.push(lock.lock);
        return;
      }
      var before = volts[lock.supply];
      inGroup.push(i);
      release.push(tenths(lock, before === null ? null
        : before / (1 + Math.max(sums[lock.supply] - (loads[i] || 0), 0)), 0));
    });
    var spread = spreadOf(release);
    var twice = release.map(function (item) {
      return item[item.length / 2 - 1] + item[item.length / 2];
    });
    var latest = Math.max.apply(null, twice);
    var delays = twice.map(function (own) { return Math.floor((latest - own) / 20 + 0.5); });
    var aligned = spreadOf(release.map(function (item, k) {
      return item.map(function (value) { return value + 10 * delays[k]; });
    }));
    var staggered = batchesOf(data, locks, rails, lowVolts, lowLoads, target);
    return {
      locks: locks.map(function (lock) { return lock.lock; }), left_out: leftOut,
      spread_median_ms: spread[0], spread_most_ms: spread[1],
      delays_ms: locks.map(function (lock, i) {
        var at = inGroup.indexOf(i);
        return at < 0 ? 0 : delays[at];
      }),
      aligned_median_ms: aligned[0], aligned_most_ms: aligned[1],
      one_event: aligned[1] === null ? null : aligned[1] <= data.settings.spread_ms,
      rails: Object.keys(sums).sort().map(function (supply) {
        var unknown = locks.some(function (lock, i) {
          return lock.supply === supply && lowLoads[i] === null;
        });
        var before = lowVolts[supply], window = rails[supply].window_volts;
        var lowest = before === null || unknown ? null : before / (1 + lowSums[supply]);
        var rail = rails[supply], drawn = 0;
        locks.forEach(function (lock) {
          if (lock.supply === supply) { drawn += addedAmps(lock); }
        });
        var amps = rail.resting_amps + drawn;
        var over = rail.rated_amps !== null && amps > rail.rated_amps;
        return { supply: supply, volts: before, lowest_volts: lowest, window_volts: window,
          bears: over ? false : lowest === null ? null : lowest >= window, amps: amps,
          over_rating: over };
      }),
      batches: staggered.batches, starts_ms: staggered.starts
    };
  }

  window.RemanenceTiming = { lockAnswer: lockAnswer, together: together };
}());
