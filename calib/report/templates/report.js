"use strict";
// Sorting, searching and filtering. Without this script everything is there, in the order of the list.
(function () {
  function at(id) { return document.getElementById(id); }
  function every(selector, within) { return Array.prototype.slice.call((within || document).querySelectorAll(selector)); }
  function value(select) { return select ? select.value : ""; }
  var tools = at("tools"), seek = at("seek"), sort = at("sort"), set = at("set"), coats = at("coats");
  var family = at("family"), depth = at("depth"), flags = at("flags");
  var lists = every(".cards").map(function (list) {
    var sitting = list.closest(".sitting");
    return { at: list, cards: Array.prototype.slice.call(list.children), found: sitting && sitting.querySelector(".found") };
  });
  var all = lists.reduce(function (sum, list) { return sum + list.cards.length; }, 0);
  tools.hidden = false;

  // What a card says, its swatches and its set, looked up once, when it is first asked for.
  var known = new Map();
  function about(card) {
    if (!known.has(card)) {
      var own = card.querySelector(".set");
      known.set(card, { text: null, coats: every(".coat", card), set: own ? own.textContent : "" });
    }
    return known.get(card);
  }
  function text(card) {
    var own = about(card);
    if (own.text === null) { own.text = card.textContent.toLowerCase().replace(/\s+/g, " "); }
    return own.text;
  }

  function fits(card, words) {
    var own = about(card), some = false;
    own.coats.forEach(function (coat) {
      var data = coat.dataset;
      coat.hidden = value(coats) !== "" && data.coats !== coats.value;
      some = some || (!coat.hidden && (!family.value || data.family === family.value) &&
        (!depth.value || data.depth === depth.value) && (!flags.checked || "flagged" in data));
    });
    return some && (value(set) === "" || own.set === set.value) &&
      words.every(function (word) { return text(card).indexOf(word) >= 0; });
  }

  function say(shown) {
    at("count").textContent = counted(shown, all) + (lists.length > 1 ? " in " + lists.length + " lists" : "");
    at("nothing").hidden = shown > 0;
  }

  function counted(shown, of) { return (shown === of ? "" : shown + " of ") + of + (of === 1 ? " pen" : " pens"); }

  function filter() {
    var words = seek.value.toLowerCase().split(/\s+/).filter(Boolean), shown = 0;
    lists.forEach(function (list) {
      var here = 0;
      list.cards.forEach(function (card) {
        card.hidden = !fits(card, words);
        here += card.hidden ? 0 : 1;
      });
      if (list.found) { list.found.textContent = counted(here, list.cards.length); }
      shown += here;
    });
    say(shown);
  }

  // Lightness runs from light to dark, hue around the circle, by the first swatch of a pen that is shown; the rest keeps the list's order.
  function order() {
    var key = sort.value, sign = key === "light" ? -1 : 1;
    lists.forEach(function (list) {
      list.cards.map(function (card) {
        var first = about(card).coats.filter(function (coat) { return !coat.hidden && coat.dataset[key]; })[0];
        var place = key === "order" ? 0 : first ? sign * first.dataset[key] : Infinity;
        return { card: card, place: place, order: Number(card.dataset.order) };
      }).sort(function (one, two) {
        return one.place === two.place ? one.order - two.order : one.place < two.place ? -1 : 1;
      }).forEach(function (one) { list.at.appendChild(one.card); });
    });
  }

  tools.addEventListener("input", filter);
  [sort, coats].forEach(function (one) { one.addEventListener("change", order); });
  tools.addEventListener("submit", function (event) { event.preventDefault(); });
  tools.addEventListener("reset", function () { setTimeout(function () { filter(); order(); }, 0); });
  // A tooltip can be put away without moving on (WCAG 2.2, 1.4.13), and comes back at the next chip.
  document.addEventListener("keydown", function (event) {
    if (event.key === "Escape") { document.body.classList.add("shut"); }
  });
  ["focusin", "mouseover", "click"].forEach(function (kind) {
    document.addEventListener(kind, function (event) {
      var chip = event.target.closest && event.target.closest("button.chip");
      if (chip) {
        document.body.classList.remove("shut");
        // Some browsers do not give a button that is touched the focus by themselves.
        if (kind === "click") {
          chip.focus();
          chip.scrollIntoView({ block: "nearest" });
        }
      }
    });
  });
  // Sheets that are folded away on the screen are printed all the same.
  var folded = [];
  window.addEventListener("beforeprint", function () {
    folded = every("details.sitting").filter(function (one) { return !one.open; });
    folded.forEach(function (one) { one.open = true; });
  });
  window.addEventListener("afterprint", function () { folded.forEach(function (one) { one.open = false; }); });
  // A browser that goes back to the page may have kept what was chosen.
  if (seek.value || [sort, set, coats, family, depth].some(function (one) { return one && one.selectedIndex > 0; }) || flags.checked) {
    filter();
    order();
  } else {
    say(all);
  }
})();
