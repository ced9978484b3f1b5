"use strict";
// Sorting, searching and filtering. Without this script everything is there, in the order of the list.
(function () {
  var tools = document.getElementById("tools");
  var seek = document.getElementById("seek"), sort = document.getElementById("sort");
  var family = document.getElementById("family"), depth = document.getElementById("depth");
  var flags = document.getElementById("flags"), count = document.getElementById("count");
  var nothing = document.getElementById("nothing");
  var lists = Array.prototype.map.call(document.querySelectorAll(".cards"), function (list) {
    return { at: list, cards: Array.prototype.slice.call(list.children) };
  });
  var all = lists.reduce(function (sum, list) { return sum + list.cards.length; }, 0);
  tools.hidden = false;

  // A card's own text is looked through, read once.
  var texts = new Map();
  function text(card) {
    if (!texts.has(card)) { texts.set(card, card.textContent.toLowerCase().replace(/\s+/g, " ")); }
    return texts.get(card);
  }

  function filter() {
    var words = seek.value.toLowerCase().split(/\s+/).filter(Boolean), shown = 0;
    lists.forEach(function (list) {
      list.cards.forEach(function (card) {
        var data = card.dataset;
        var fits = words.every(function (word) { return text(card).indexOf(word) >= 0; }) &&
          (!family.value || data.family === family.value) && (!depth.value || data.depth === depth.value) &&
          (!flags.checked || "flagged" in data);
        card.hidden = !fits;
        shown += fits ? 1 : 0;
      });
    });
    count.textContent = shown === all ? all + " pens" : shown + " of " + all + " pens";
    nothing.hidden = shown > 0;
  }

  function order() {
    // Lightness runs from light to dark, everything else upwards; what is equal stays in the order of the list.
    var key = sort.value, sign = key === "light" ? -1 : 1;
    lists.forEach(function (list) {
      list.cards.slice().sort(function (one, two) {
        return sign * (one.dataset[key] - two.dataset[key]) || one.dataset.order - two.dataset.order;
      }).forEach(function (card) { list.at.appendChild(card); });
    });
  }

  tools.addEventListener("input", filter);
  sort.addEventListener("change", order);
  tools.addEventListener("submit", function (event) { event.preventDefault(); });
  tools.addEventListener("reset", function () { setTimeout(function () { filter(); order(); }, 0); });
  // A tooltip can be put away without moving on (WCAG 2.2, 1.4.13), and comes back at the next chip.
  document.addEventListener("keydown", function (event) {
    if (event.key === "Escape") { document.body.classList.add("shut"); }
  });
  ["focusin", "mouseover"].forEach(function (kind) {
    document.addEventListener(kind, function (event) {
      if (event.target.classList && event.target.classList.contains("chip")) { document.body.classList.remove("shut"); }
    });
  });
  // What is folded away on the screen is printed all the same.
  var folded = [];
  window.addEventListener("beforeprint", function () {
    folded = Array.prototype.filter.call(document.querySelectorAll("details"), function (one) { return !one.open; });
    folded.forEach(function (one) { one.open = true; });
  });
  window.addEventListener("afterprint", function () { folded.forEach(function (one) { one.open = false; }); });
  filter();
})();
