"use strict";
/* The review page's picture follows its reader: every zoom asks the server for what is in view and draws only that.
   Left to itself the page would pass the whole picture through its state and draw it twice more. */
(function () {
  const SETTLED_MS = 300, DOUBLE_MS = 300;  // the latter is plotly's too, in the picture's configuration
  const watched = new WeakSet();
  let asked = {}, newest = 0, settling = 0, shown = null, clicked = 0, doubled = 0;

  function numbers(packed) {
    const text = atob(packed.bdata), bytes = new Uint8Array(text.length);
    for (let i = 0; i < text.length; i += 1) bytes[i] = text.charCodeAt(i);
    return packed.dtype === "f4" ? new Float32Array(bytes.buffer) : new Float64Array(bytes.buffer);
  }

  function look(plot, start, end) {
    show(plot, start, end).catch(() => {});  // without a server the old points stay
  }

  async function show(plot, start, end) {
    const mine = ++newest;
    const answer = await fetch("/traces?" + new URLSearchParams({ ...asked, start: start, end: end }));
    if (!answer.ok) return;
    const seen = await answer.json();
    if (mine !== newest || !plot.isConnected) return;  // the reader has moved on
    const drawn = plot.data.filter((trace) => trace.mode === "lines" || trace.mode === "text").length;
    if (drawn === seen.x.length) {  // else a session is just being laid over, and the page draws all anew
      const data = { x: seen.x.map(numbers), y: seen.y.map(numbers) };
      const places = seen.x.map((_, number) => number);
      const lane = plot.data.map((trace, number) => number).filter((number) => plot.data[number].type === "bar");
      if (lane.length === seen.bars.length) {  // none as long as the session is being analysed
        places.push(...lane);
        Object.keys(seen.bars[0]).forEach(function (key) {
          // what is undefined stays as it is
          data[key] = places.map((_, k) => (k < drawn ? (data[key] || [])[k] : seen.bars[k - drawn][key]));
        });
      }
      // the words in the lane change with what has room; the last of the labels
      data.text = places.map((place) => (place === drawn - 1 ? seen.kinds : plot.data[place].text));
      await window.Plotly.update(plot, data, seen.layout, places);
    }
    clearTimeout(settling);
    settling = setTimeout(function () {
      if (plot.isConnected) window.dash_clientside.set_props("review-view", { data: seen.span });
    }, SETTLED_MS);
    shown = start + "," + end;
    choose();
  }

  // a button for each stretch, made here: as parts of the page every one of hundreds would slow all that it does
  function list() {
    const place = document.getElementById("review-stretch");
    if (!place || place.listed === place.dataset.choices) return;
    place.listed = place.dataset.choices;
    place.replaceChildren(...JSON.parse(place.listed).map(function ([value, words]) {
      const label = document.createElement("label"), button = document.createElement("input");
      Object.assign(button, { type: "radio", name: "review-stretch", value: value });
      label.append(button, words);
      return label;
    }));
    shown = shown ?? place.dataset.chosen;  // the reader may have moved before the list came
    choose();
  }

  // the stretch that is in view is the chosen one, however it came there
  function choose() {
    document.querySelectorAll("#review-stretch input").forEach((button) => { button.checked = button.value === shown; });
  }

  function lookAt(start, end) {
    const plot = document.querySelector("#review-traces .js-plotly-plot");
    if (plot && watched.has(plot)) look(plot, start, end);
  }

  document.addEventListener("change", function (event) {
    if (event.target.closest("#review-stretch")) lookAt(...event.target.value.split(","));
  });
  document.addEventListener("click", function (event) {
    if (!event.target.closest("#review-show")) return;
    lookAt(...["start", "end"].map((word) => document.getElementById("review-" + word).value));
  });

  function follow(plot) {
    watched.add(plot);
    shown = null;
    plot.dataset.following = "yes";
    plot.removeAllListeners("plotly_relayout");
    plot.removeAllListeners("plotly_hover");
    plot.on("plotly_relayout", function (change) {
      if (!Object.keys(change).some((key) => key.startsWith("xaxis"))) return;
      look(plot, ...plot.layout.xaxis.range);
    });
    plot.on("plotly_doubleclick", function () {
      doubled = Date.now();
      look(plot, "", "");
    });
    plot.on("plotly_click", function (click) {
      clearTimeout(clicked);
      const half = Date.now() - 50;  // the second half of a double click comes just after it
      clicked = setTimeout(() => { if (doubled < half) single(plot, click.points[0]); }, DOUBLE_MS);
    });
  }

  // a click that was not half of a double one
  function single(plot, point) {
    if (!plot.isConnected) return;
    const bar = point.customdata;  // of the lane of stretches
    if (Array.isArray(bar)) look(plot, ...bar.map((time) => time.toFixed(3)));
    else window.dash_clientside.set_props("review-line", { data: point.curveNumber });
  }

  function watch(_figure, shift, query) {
    const moved = (shift ?? null) !== (asked.shift ?? null);
    asked = {};
    const all = { session: query.session, over: query.over, cylinder: query.cylinder, shift: shift };
    Object.keys(all).forEach((key) => { if (all[key] !== null && all[key] !== undefined) asked[key] = all[key]; });
    (function whenDrawn() {
      const plot = document.querySelector("#review-traces .js-plotly-plot");
      if (!plot || !plot.removeAllListeners || plot.classList.contains("dash-graph--pending")) {
        if (document.getElementById("review-traces")) setTimeout(whenDrawn, 50);
        return;
      }
      if (!watched.has(plot)) follow(plot);
      list();
      if (moved) look(plot, ...plot.layout.xaxis.range);
    })();
    return window.dash_clientside.no_update;
  }

  window.dash_clientside = Object.assign({}, window.dash_clientside, { review: { watch: watch } });
})();
