// The slider: verdicts, sentences and marks at any road speed, without asking the server again.
(function () {
  "use strict";
  var moving = JSON.parse(document.getElementById("moving").textContent);
  var slider = document.getElementById("slider"), range = document.getElementById("range");
  var form = document.getElementById("speed-form"), said = document.getElementById("said");
  var marks = document.querySelectorAll("#strips .at"), speaking = 0;

  function nearest(speed) {
    return moving.speeds.reduce(function (best, own, i) {
      return Math.abs(own - speed) < Math.abs(moving.speeds[best] - speed) ? i : best;
    }, 0);
  }
  function card(place) { return document.querySelector("#board li[data-place='" + place + "']"); }
  function put(element, name, text) { element.querySelector("[data-" + name + "]").textContent = text; }

  function showCard(place, i) {
    var at = moving.at[place][i], own = card(place);
    var list = document.querySelector(".group[data-verdict='" + at.verdict + "'] .cards");
    put(own, "why", at.why);
    put(own, "possible", at.possible);
    put(own, "likely", at.likely);
    put(own, "band", at.band);
    list.appendChild(own);  // in the order of the configurations
  }
  function strip(speed) {
    marks.forEach(function (mark) {
      var set = mark.dataset, share = (speed - set.low) / (set.high - set.low);
      var x = Number(set.left) + share * (set.right - set.left);
      mark.setAttribute("d", mark.getAttribute("d").replace(/^M[\d.]+/, "M" + x.toFixed(1)));
    });
  }
  // Screen readers hear the verdicts once the slider rests.
  function speak(i) {
    clearTimeout(speaking);
    speaking = setTimeout(function () {
      said.textContent = "At " + moving.speeds[i].toFixed(0) + " km/h: " + moving.names.map(function (name, place) {
        return name + " " + moving.at[place][i].verdict;
      }).join(", ");
    }, 400);
  }
  function show(speed) {
    var i = nearest(speed), shown = moving.speeds[i].toFixed(0);
    moving.names.forEach(function (_, place) { showCard(place, i); });
    document.querySelectorAll("#board .group").forEach(function (group) {
      group.hidden = !group.querySelector("li");
    });
    document.querySelectorAll("[data-speed]").forEach(function (one) { one.textContent = shown; });
    range.setAttribute("aria-valuetext", shown + " km/h");
    strip(moving.speeds[i]);
    if (window.buffetCharts) { window.buffetCharts.moveTo(moving.speeds[i]); }
    speak(i);
  }
  function keepAddress() {
    var here = new URL(location.href);
    here.searchParams.set("speed", moving.speeds[nearest(range.value)].toFixed(0));
    history.replaceState(null, "", here);
  }

  range.addEventListener("input", function () {
    document.getElementById("nearest").hidden = true;
    show(Number(range.value));
  });
  range.addEventListener("change", keepAddress);
  range.setAttribute("aria-valuetext", document.querySelector("[data-speed]").textContent + " km/h");
  form.hidden = true;
  slider.hidden = false;
}());
