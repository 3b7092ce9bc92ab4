"use strict";
/* The live page: takes the server's events and draws one rail a bank, a bead a cylinder. */
(function () {
  const SLOT = 100, LEFT = 74, TOP = 8, RAIL = 176, ROWS = 96;
  const REACH = RAIL / 2 - 26;  // a bead at the end of the scale stays whole
  const SCALES = [20, 40, 80, 160, 320];
  const SHAPES = ["circle", "square", "diamond", "hexagon"];
  const FULL_TURN_FRESH_MS = 3000;
  let source = null, board = null, latest = null, whole = null, full = {}, pending = false, beads = [], drawnFor = "";
  let scale = SCALES[0], cameAt = 0, estimating = false, told = "";

  const byId = (id) => document.getElementById(id);
  const say = (id, text) => { const node = byId(id); if (node && node.textContent !== text) node.textContent = text; };
  const hide = (id, hidden) => { const node = byId(id); if (node && node.hidden !== hidden) node.hidden = hidden; };
  const there = (value) => value !== null && value !== undefined;
  const signed = (value) => (Math.round(value) === 0 ? "0" : (value > 0 ? "+" : "−") + Math.abs(Math.round(value)));

  function svg(parent, kind, attributes, text) {
    const node = document.createElementNS("http://www.w3.org/2000/svg", kind);
    for (const key in attributes) node.setAttribute(key, attributes[key]);
    if (text !== undefined) node.textContent = text;
    parent.appendChild(node);
    return node;
  }

  function clock(seconds) {
    const whole = Math.max(0, Math.floor(seconds)), two = (n) => String(n).padStart(2, "0");
    return Math.floor(whole / 3600) + ":" + two(Math.floor(whole / 60) % 60) + ":" + two(whole % 60);
  }

  function shape(group, name) {
    if (name === "circle") return svg(group, "circle", { r: 23, class: "bead" });
    const points = {
      square: "-21,-21 21,-21 21,21 -21,21",
      diamond: "0,-28 28,0 0,28 -28,0",
      hexagon: "-13,-23 13,-23 26,0 13,23 -13,23 -26,0",
    };
    return svg(group, "polygon", { points: points[name], class: "bead" });
  }

  /* --- building the board once a session's layout is known --- */
  function build(layout) {
    const rails = byId("rails"), shown = window.evenburnDisplay();
    const degree = shown.fahrenheit ? "°F" : "°C";
    rails.replaceChildren();
    beads = [];
    layout.forEach(function (bank, index) {
      const box = document.createElement("section");
      box.className = "rail bank-" + (index % 2);
      const head = document.createElement("h2");
      head.textContent = "bank " + bank.bank + " ";
      ["target", "mixture"].forEach(function (what) {
        const part = document.createElement("span");
        part.className = what;
        part.id = what + "-" + index;
        head.appendChild(part);
      });
      box.appendChild(head);
      const width = LEFT + SLOT * bank.cylinders.length;
      const picture = svg(box, "svg", { viewBox: "0 0 " + width + " " + (TOP + RAIL + ROWS), role: "img" });
      picture.setAttribute("aria-label", "Deviation of each cylinder of bank " + bank.bank + " from its mean");
      const middle = TOP + RAIL / 2;
      [-1, 1].forEach(function (side) {
        const y = middle - side * REACH / 2;
        svg(picture, "line", { x1: LEFT - 8, x2: width, y1: y, y2: y, class: "tick" });
        svg(picture, "text", { x: LEFT - 12, y: y + 5, class: "tick-name", "data-side": side, "data-unit": degree });
      });
      svg(picture, "line", { x1: LEFT - 8, x2: width, y1: middle, y2: middle, class: "mean" });
      svg(picture, "text", { x: LEFT - 12, y: middle + 5, class: "tick-name" }, "mean");
      [[36, "off mean"], [64, degree], [88, degree + "/min"]].forEach(function (row) {
        svg(picture, "text", { x: LEFT - 12, y: TOP + RAIL + row[0], class: "tick-name" }, row[1]);
      });
      bank.cylinders.forEach(function (cylinder, place) {
        const x = LEFT + SLOT * (place + 0.5);
        const whisker = svg(picture, "path", { class: "whisker" });
        const group = svg(picture, "g", {});
        shape(group, SHAPES[index % SHAPES.length]);
        svg(group, "text", { class: "number", y: 10 }, String(cylinder));
        const beyond = svg(picture, "text", { x: x, class: "beyond" });
        const rows = [["deviation", 36], ["absolute", 64], ["trend", 88]].map(function (row) {
          return svg(picture, "text", { x: x, y: TOP + RAIL + row[1], class: row[0] });
        });
        beads.push({ x: x, middle: middle, group: group, whisker: whisker, beyond: beyond, rows: rows, cylinder: cylinder });
      });
      rails.appendChild(box);
    });
    say("live-load-name", "load" + (layout[0].load_unit ? ", " + layout[0].load_unit : ""));
  }

  /* --- drawing what has come --- */
  function draw() {
    pending = false;
    if (!board || !board.isConnected) { end(); return; }
    const now = latest, live = now.state === "live" && there(now.t);
    if (whole) { full = whole; whole = null; drawState(); }
    hide("board", !live);
    if (!live || !full.layout) return;
    const values = now.d.filter(there).map(Math.abs), far = values.length ? Math.max(...values) : 0;
    if (far > scale * 0.92) scale = SCALES.find((s) => far <= s * 0.92) || SCALES[SCALES.length - 1];
    else if (now === full) scale = SCALES.find((s) => far <= s * 0.6) || scale;
    const shown = window.evenburnDisplay(), size = shown.fahrenheit ? 1.8 : 1;
    beads.forEach((bead, i) => drawBead(bead, now.T[i], now.d[i], now.lost[i], i, size, shown.fahrenheit ? 32 : 0));
    document.querySelectorAll("#rails [data-side]").forEach(function (node) {
      node.textContent = signed(node.dataset.side * scale * size / 2) + " " + node.dataset.unit;
    });
    now.lambda.forEach(function (value, i) { drawMixture(i, value, shown.afr); });
    say("live-rpm", there(now.rpm) ? String(now.rpm) : "–");
    say("live-load", there(now.load) ? now.load.toFixed(1) : "–");
    say("live-clock", clock(now.t));
    board.dataset.t = now.t;
  }

  /* what a whole message says: the state, and of a live session everything but the newest values */
  function drawState() {
    const live = full.state === "live" && there(full.t);
    const waiting = full.state === "starting" || (full.state === "live" && !live);
    hide("start-form", full.state !== "idle" || document.body.dataset.starting === "yes");
    hide("controls", !(live || full.mine));
    hide("stop", !full.mine);
    const said = waiting ? "Waiting for the first samples …" : full.said || "";
    if (said) say("said", said);
    else if (byId("said").textContent === told) say("said", "");  // what an answer to a button said stays
    told = said;
    alarms(full.alarms || []);
    if (!live) return;
    const wanted = full.session + JSON.stringify(full.layout);
    if (wanted !== drawnFor) { drawnFor = wanted; build(full.layout); }
    drawSlow(full);
  }

  function drawBead(bead, T, d, lost, i, size, zero) {
    const known = there(d);
    const y = bead.middle - (known ? Math.max(-1, Math.min(1, d / scale)) * REACH : 0);
    bead.group.setAttribute("transform", "translate(" + bead.x + " " + y.toFixed(1) + ")");
    bead.group.classList.toggle("lost", !known);
    const u = full.u && full.u[i], end = known && there(u) ? u / scale * REACH : 0;
    bead.whisker.setAttribute("d", end ? whisker(bead.x, y, end) : "");
    bead.beyond.textContent = known && Math.abs(d) > scale ? (d > 0 ? "▲" : "▼") : "";
    bead.beyond.setAttribute("y", d > 0 ? TOP + 14 : TOP + RAIL);
    bead.rows[0].textContent = known ? signed(d * size) : lost || "–";
    bead.rows[0].classList.toggle("lost", !known);
    bead.rows[1].textContent = there(T) ? Math.round(T * size + zero) : "–";
    const trend = full.trend && full.trend[i];
    bead.rows[2].textContent = there(T) && there(trend) ? arrow(trend) + " " + signed(trend * size) : "";
  }

  /* beside the bead, which would hide a short one */
  function whisker(x, y, end) {
    const top = Math.max(TOP, y - end), low = Math.min(TOP + RAIL, y + end), beside = x + 35;
    return `M${x} ${y}H${beside}M${beside} ${top}V${low}M${beside - 5} ${top}h10M${beside - 5} ${low}h10`;
  }

  const arrow = (trend) => (trend > 6 ? "↗" : trend < -6 ? "↘" : "→");

  function drawMixture(index, value, afr) {
    const bank = full.layout[index], factor = afr ? bank.afr_of_lambda_1 : 1, digits = afr ? 1 : 3;
    const target = full.guide && there(full.guide.target) ? full.guide.target * factor : Number(byId("target").value) || null;
    const name = afr ? "AFR " : "lambda ";
    const text = there(value) ? name + (value * factor).toFixed(digits) : name + "–";
    say("mixture-" + index, text);
    say("target-" + index, target ? "target " + target.toFixed(digits) : "");
  }

  function drawSlow(now) {
    say("live-session", now.session);
    say("live-rate", there(now.rate) ? now.rate.toFixed(1) : "–");
    say("live-dropped", String(now.dropped));
    say("live-disk", now.disk_GB + " GB");
    drawGuide(now.guide);
  }

  function alarms(texts) {
    const box = byId("alarms"), wanted = texts.join("\n");
    if (!box || box.dataset.shown === wanted) return;
    box.dataset.shown = wanted;
    box.replaceChildren(...texts.map(function (text) {
      const line = document.createElement("p");
      line.textContent = "⚠ " + text;
      return line;
    }));
  }

  function drawGuide(guide) {
    hide("sweep-before", Boolean(guide));
    hide("sweep-during", !guide);
    if (!guide) { estimating = false; return; }
    say("sweep-said", guide.said);
    byId("sweep-progress").value = guide.progress;
    if (guide.phase === "enough" && !estimating) { estimating = true; estimate(); }
  }

  function estimate(since) {
    fetch("/live/estimate" + (since ? "?since=" + since : "")).then((answer) => answer.json()).then(function (found) {
      const box = byId("sweep-estimate");
      if (!box) return;
      const rows = (found.rows || []).map((row) => "cylinder " + row.cylinder + ": " + row.offset + ", " + row.finding);
      box.replaceChildren(...[found.said].concat(rows).map(function (text, i) {
        const line = document.createElement("p");
        if (i === 0) line.className = "big-said";
        line.textContent = text;
        return line;
      }));
      if (!found.over) window.setTimeout(() => estimate(found.since), 500);
    });
  }

  /* --- asking the server to do something --- */
  function post(what, body) {
    return fetch("/live/" + what, {
      method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body || {}),
    }).then((answer) => answer.json()).then(function (said) {
      say("said", said.said);
      if (said.session) link(byId("said"), " Show its balance.", "/balance?session=" + encodeURIComponent(said.session));
    });
  }

  function link(parent, text, address) {
    const node = document.createElement("a");
    node.href = address;
    node.textContent = text;
    parent.appendChild(node);
  }

  function mark() { post("mark", { text: byId("mark-words").value }); }

  function start() {
    document.body.dataset.starting = "yes";
    post("start", {
      setup: byId("start-setup").value, name: byId("start-name").value,
      port: byId("start-other-port").value || byId("start-port").value,
    }).then(function () { document.body.dataset.starting = "no"; });
  }

  function listen() {
    source = new EventSource("/live/events");
    source.onmessage = function (event) {
      latest = JSON.parse(event.data);
      if (latest.state !== "live" || latest.layout) whole = latest;
      cameAt = performance.now();
      if (!pending) { pending = true; window.requestAnimationFrame(draw); }
    };
  }

  function watchSilence() {
    if (!board || !board.isConnected) { end(); return; }
    if (cameAt && performance.now() - cameAt > FULL_TURN_FRESH_MS) {
      alarms(["No news from the server: what is shown is old."]);
      board.classList.add("old");
    } else board.classList.remove("old");
    window.setTimeout(watchSilence, 1000);
  }

  function end() {
    if (source) source.close();
    source = board = null;
    drawnFor = "";
  }

  document.addEventListener("click", function (event) {
    const actions = {
      start: start, stop: () => post("stop"), mark: mark,
      "sweep-begin": () => post("sweep", { on: true }), "sweep-leave": () => post("sweep", { on: false }),
    };
    const button = event.target.closest("button");
    if (board && button && actions[button.id]) actions[button.id]();
  });
  document.addEventListener("keydown", function (event) {
    const typing = event.target.closest("input, textarea, select");
    if (board && !typing && !event.ctrlKey && !event.metaKey && event.key.toLowerCase() === "m") mark();
  });

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    run: {
      begin: function () {
        end();
        board = byId("board");
        listen();
        watchSilence();
        return window.dash_clientside.no_update;
      },
    },
  });
})();
