/* What every page's script does. A page says all it has to say without it. */
(function () {
  "use strict";

  function each(query, work) {
    Array.prototype.forEach.call(document.querySelectorAll(query), work);
  }

  /* Tables that are wider than the screen say so, and can be scrolled by keyboard. */
  function markWide() {
    each(".scroll", function (box) {
      var wide = box.scrollWidth > box.clientWidth + 1;
      box.classList.toggle("is-wide", wide);
      if (wide) { box.setAttribute("tabindex", "0"); } else { box.removeAttribute("tabindex"); }
    });
  }

  /* The filter box: what does not hold every word that is typed is hidden. */
  function filter(box) {
    var words = box.value.toLowerCase().split(/\s+/).filter(Boolean);
    var shown = 0;
    each("[data-find]", function (item) {
      var text = item.getAttribute("data-find");
      item.hidden = !words.every(function (word) { return text.indexOf(word) >= 0; });
      if (!item.hidden) { shown += 1; }
    });
    each("[data-count]", function (place) {
      place.textContent = words.length ? place.getAttribute("data-count").replace("{n}", shown) : "";
    });
  }

  /* A table's heading sorts by its column; once more, the other way round. */
  function sortable(button) {
    button.addEventListener("click", function () {
      var head = button.parentNode;
      var body = head.parentNode.parentNode.parentNode.tBodies[0];
      var falling = head.getAttribute("aria-sort") === "ascending";
      Array.prototype.forEach.call(head.parentNode.children, function (other) {
        other.removeAttribute("aria-sort");
      });
      head.setAttribute("aria-sort", falling ? "descending" : "ascending");
      var rows = Array.prototype.slice.call(body.rows);
      rows.sort(function (one, other) {
        var a = key(one.cells[head.cellIndex]), b = key(other.cells[head.cellIndex]);
        if (a === b) { return 0; }
        if (a === "") { return 1; }  /* What is not known stands last, either way. */
        if (b === "") { return -1; }
        return (a < b ? -1 : 1) * (falling ? -1 : 1);
      });
      rows.forEach(function (row) { body.appendChild(row); });
    });
  }

  function key(cell) {
    var given = cell.getAttribute("data-sort");
    if (given === null) { return cell.textContent.trim().toLowerCase(); }
    return given === "" ? "" : Number(given);
  }

  /* What is ticked stays ticked on this device, page by page. */
  function keepTick(box) {
    var key = "tick " + location.pathname + " " + box.getAttribute("data-keep");
    try {
      box.checked = localStorage.getItem(key) === "1";
      box.addEventListener("change", function () {
        if (box.checked) { localStorage.setItem(key, "1"); } else { localStorage.removeItem(key); }
      });
    } catch (refused) { /* A browser that keeps nothing still ticks. */ }
  }

  each("[data-keep]", keepTick);
  each("[data-filter]", function (box) {
    box.addEventListener("input", function () { filter(box); });
  });
  each("button.sort", function (button) {
    button.disabled = false;
    sortable(button);
  });
  document.documentElement.classList.add("has-script");
  /* Paper shows what is folded away, in browsers whose style sheets cannot ask for it too. */
  window.addEventListener("beforeprint", function () {
    each("details.more:not([open])", function (part) {
      part.open = true;
      part.setAttribute("data-folded", "");
    });
  });
  window.addEventListener("afterprint", function () {
    each("details[data-folded]", function (part) {
      part.open = false;
      part.removeAttribute("data-folded");
    });
  });

  markWide();
  window.addEventListener("resize", markWide);
}());
