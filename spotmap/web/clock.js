// The time control: one moment of the trip, shown by the boat, its lures and the current, on the graph and in words.

const RATES = [["1 min/s", 60], ["5 min/s", 300], ["15 min/s", 900]];
const FLOW_PX = 0.55;
const FLOW_GAP_PX = 38;
const LEAST_FLOW_PX = 3;
const ICONS = {
  back: "M3 3V17M17 3L6 10L17 17Z", play: "M4 2L18 10L4 18Z", pause: "M4 2H8V18H4ZM12 2H16V18H12Z",
  on: "M17 3V17M3 3L14 10L3 17Z",
};

/** Return the running sums of whole-number differences. */
function summed(differences) {
  let sum = 0;
  return differences.map((difference) => (sum += difference));
}

/** Return the places [lat, lon] of steps as in `unpack`. */
function placesOf(steps, digits) {
  return steps.length ? unpack({ digits: digits, parts: [steps] })[0] : [];
}

/** Return the places of a lure: the first place, the first difference, then differences of differences. */
function unbent(bends, digits) {
  const steps = bends.slice(0, 2);
  let [north, east] = [0, 0];
  for (let i = 2; i < bends.length; i += 2) {
    north += bends[i];
    east += bends[i + 1];
    steps.push(north, east);
  }
  return placesOf(steps, digits);
}

/** Return the place of the last number that is not above `wanted`, in numbers that rise. */
function lastUpTo(numbers, wanted) {
  let [low, high] = [0, numbers.length];
  while (low < high) {
    const middle = (low + high) >> 1;
    if (numbers[middle] <= wanted) {
      low = middle + 1;
    } else {
      high = middle;
    }
  }
  return Math.max(0, low - 1);
}

function mixed(a, b, share) {
  return [a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1])];
}

/** What the plan has at any moment; times in seconds from the trip's start. */
class Playback {
  constructor(play) {
    const { boat, flows } = play;
    this.play = play;
    this.took = play.took / 10;
    this.legs = play.legs.map((tenths) => tenths / 10);
    this.at = summed(boat.at).map((tenths) => tenths / 10);
    this.way = placesOf(boat.steps, boat.digits);
    this.course = summed(boat.course);
    this.heading = summed(boat.heading);
    this.speed = summed(boat.speed);
    this.lures = play.lures.map((lure) => lure.spells.map((spell) =>
      ({ first: spell.first, places: unbent(spell.bends, boat.digits) })));
    this.flowPlaces = flows ? placesOf(flows.steps, flows.digits) : [];
    this.rigs = play.rig.map(([tenths]) => tenths / 10);
  }

  moment(time) {
    const stretch = Math.min(lastUpTo(this.at, time), this.at.length - 2);
    const share = (time - this.at[stretch]) / (this.at[stretch + 1] - this.at[stretch]);
    const leg = lastUpTo(this.legs, time);
    const minute = Math.min(Math.floor(time / 60), this.play.minutes.clock.length - 1);
    return {
      boat: mixed(this.way[stretch], this.way[stretch + 1], Math.min(1, Math.max(0, share))),
      course: this.course[stretch],
      heading: this.heading[stretch],
      speed: this.speed[stretch] / 10,
      leg: leg,
      minute: minute,
      read: this.read(leg, minute),
      rig: this.play.rig[lastUpTo(this.rigs, time)][1],
      lures: this.lures.map((spells) => this.lure(spells, time / this.play.lure_every)),
    };
  }

  /** Return the minute whose depth was read on this leg: this one, else the next; null where none was. */
  read(leg, minute) {
    const until = leg + 1 < this.legs.length ? this.legs[leg + 1] : this.took;
    const on = minute * 60 < this.legs[leg] ? minute + 1 : minute;
    return on * 60 <= until && on < this.play.minutes.depth.length ? on : null;
  }

  /** Return where a lure is, or null while it is out of the water. */
  lure(spells, step) {
    const spell = spells.find((one) => step >= one.first && step <= one.first + one.places.length - 1);
    if (!spell) {
      return null;
    }
    const before = Math.floor(step) - spell.first;
    const after = Math.min(before + 1, spell.places.length - 1);
    return mixed(spell.places[before], spell.places[after], step % 1);
  }

  /** Return the current at a place by its number, [east, north] in cm/s, or null where it is not known. */
  flow(index, time) {
    const flows = this.play.flows.flows[index];
    const last = flows.length / 2 - 1;
    const step = Math.min(time / this.play.flows.every, last);
    const [before, after] = [Math.floor(step), Math.ceil(step)];
    const [a, b] = [before, after].map((one) => flows.slice(2 * one, 2 * one + 2));
    return a[0] === null || b[0] === null ? null : mixed(a, b, step - before);
  }
}

/** A drawing in a pane of its own that is made anew when the map has moved. */
const Drawing = L.Layer.extend({
  initialize(pane, zIndex, draw) {
    this.paneName = pane;
    this.zIndex = zIndex;
    this.draw = draw;
  },
  onAdd(map) {
    const pane = map.getPane(this.paneName) ?? map.createPane(this.paneName);
    pane.style.zIndex = this.zIndex;
    this.sheet ??= drawn("svg", { class: "drawing leaflet-zoom-hide", width: 1, height: 1, "aria-hidden": "true" });
    pane.append(this.sheet);
    map.on("viewreset zoomend moveend", this.refresh, this);
    this.refresh();
  },
  onRemove(map) {
    map.off("viewreset zoomend moveend", this.refresh, this);
    this.sheet.remove();
  },
  refresh() {
    if (this._map) {
      this.draw(this._map, this.sheet);
    }
  },
});

/** Return the path of a current arrow this long that points up, its middle at (0, 0). */
function flowPath(length) {
  const [head, wide] = [Math.min(9, 0.55 * length), Math.min(5.5, 1 + 0.25 * length)];
  const [tail, neck, tip, shaft] = [length / 2, head - length / 2, -length / 2, 0.4 * wide];
  return "M" + [[-0.5 * shaft, tail], [-shaft, neck], [-wide, neck], [0, tip], [wide, neck], [shaft, neck],
    [0.5 * shaft, tail]].map(([x, y]) => x.toFixed(2) + " " + y.toFixed(2)).join("L") + "Z";
}

/** Return the sign of a current [east, north] in cm/s at a point; a dot where it is slack, a query where unknown. */
function flowSign(flow, point, index) {
  const place = "translate(" + point.x.toFixed(1) + " " + point.y.toFixed(1) + ")";
  if (!flow) {
    const sign = drawn("text", { class: "flow-unknown", transform: place, dy: 4, "data-place": index });
    sign.textContent = "?";
    return sign;
  }
  const length = FLOW_PX * Math.hypot(flow[0], flow[1]);
  if (length < LEAST_FLOW_PX) {
    return drawn("circle", { class: "flow flow-slack", r: 2.5, transform: place, "data-place": index });
  }
  const degrees = ((Math.atan2(flow[0], flow[1]) * 180) / Math.PI).toFixed(1);
  const turned = place + " rotate(" + degrees + ")";
  return drawn("path", { class: "flow", d: flowPath(length), transform: turned, "data-place": index });
}

/** Return those places, by number, that are far enough apart on the screen for arrows. */
function apart(points) {
  const kept = [];
  points.forEach((point, index) => {
    if (kept.every((other) => points[other].distanceTo(point) >= FLOW_GAP_PX)) {
      kept.push(index);
    }
  });
  return kept;
}

/** Return a boat's hull that points up, its stern at (0, 0), where the lines are towed from. */
function hull() {
  return drawn("g", { class: "boat" },
    drawn("path", { class: "hull", d: "M0 -25C5 -19 6.5 -13 6 1H-6C-6.5 -13 -5 -19 0 -25Z" }),
    drawn("path", { class: "deck", d: "M-3 -9H3V-3H-3Z" }));
}

/** Return a lure's dot: the first four are round, the next four square. */
function lureDot(index, point) {
  const className = "lure-dot lure-dot-" + (index % LURE_COLOURS);
  return Math.floor(index / LURE_COLOURS) % 2
    ? drawn("rect", { class: className, x: point.x - 4, y: point.y - 4, width: 8, height: 8, "data-lure": index })
    : drawn("circle", { class: className, cx: point.x, cy: point.y, r: 4.5, "data-lure": index });
}

/** Knows the moment shown, and shows it. */
class Clock {
  constructor(map, plan, holder) {
    this.map = map;
    this.plan = plan;
    this.playback = new Playback(plan.play);
    this.time = plan.play.begin / 10;
    this.playing = false;
    this.flows = plan.play.flows && new Drawing("flows", 305, (_, sheet) => this.drawFlows(sheet));
    this.vessel = new Drawing("vessel", 640, (_, sheet) => this.drawVessel(sheet));
    this.fill(holder);
    this.followGraphs();
    this.tell();
  }

  fill(holder) {
    const press = (label, name, act) => {
      const node = button(label, "", act);
      node.append(icon(name));
      return node;
    };
    this.toggle = press("Play", "play", () => this.play(!this.playing));
    this.slider = element("input", "");
    Object.assign(this.slider, { type: "range", min: 0, max: Math.floor(this.playback.took), step: 1 });
    this.slider.setAttribute("aria-label", "Time in the trip");
    this.slider.addEventListener("input", () => this.step(Number(this.slider.value)));
    this.rate = element("select", "", ...RATES.map(([words, rate]) => {
      const option = element("option", "", words);
      option.value = rate;
      return option;
    }));
    this.rate.setAttribute("aria-label", "Minutes of the trip in a second");
    this.now = element("strong", "words");
    this.phrases = Array.from({ length: 5 }, () => element("span", "words"));
    this.rig = element("ul", "");
    this.gear = element("details", "gear", element("summary", "", "Gear"), this.rig);
    holder.append(
      press("To the leg before", "back", () => this.stepLeg(-1)), this.toggle,
      press("To the leg after", "on", () => this.stepLeg(1)), this.slider, this.rate,
      element("div", "moment", element("p", "", this.now, ...this.phrases), this.gear));
    holder.addEventListener("keydown", (event) => this.key(event));
  }

  /** Arrow keys go a minute, page keys ten, the space bar plays or pauses. */
  key(event) {
    const steps = { ArrowLeft: -60, ArrowDown: -60, ArrowRight: 60, ArrowUp: 60, PageDown: -600, PageUp: 600 };
    if (event.target !== this.slider || !(event.key in steps || event.key === " ")) {
      return;
    }
    event.preventDefault();
    if (event.key === " ") {
      this.play(!this.playing);
    } else {
      this.step(this.time + steps[event.key]);
    }
  }

  /** Show the start of a leg: of the one under way, when more than a few seconds of it have gone, or its neighbour. */
  stepLeg(by) {
    const { legs } = this.playback;
    const { leg } = this.playback.moment(this.time);
    const back = by < 0 && this.time - legs[leg] > 5 ? 0 : by;
    this.step(leg + back < legs.length ? legs[Math.max(0, leg + back)] : this.playback.took);
  }

  play(on) {
    this.playing = on;
    this.toggle.replaceChildren(icon(on ? "pause" : "play"));
    this.toggle.setAttribute("aria-label", on ? "Pause" : "Play");
    this.toggle.title = on ? "Pause" : "Play";
    if (!on) {
      return;
    }
    if (this.time >= this.playback.took) {
      this.time = 0;
    }
    let last = performance.now();
    const frame = (now) => {
      if (!this.playing) {
        return;
      }
      this.step(this.time + Number(this.rate.value) * Math.min(0.25, Math.max(0, now - last) / 1000));
      last = now;
      if (this.time >= this.playback.took) {
        this.play(false);
      } else {
        requestAnimationFrame(frame);
      }
    };
    requestAnimationFrame(frame);
  }

  /** Show a moment, and move the map where the boat has left it. */
  step(time) {
    this.show(time);
    const { boat } = this.playback.moment(this.time);
    if (this.map.hasLayer(this.vessel) && !this.map.getBounds().contains(boat)) {
      this.map.panTo(boat, { animate: false });
    }
  }

  show(time) {
    this.time = Math.min(this.playback.took, Math.max(0, time));
    this.flows?.refresh();
    this.vessel.refresh();
    this.tell();
  }

  tell() {
    const { minutes, speed_unit: unit } = this.plan.play;
    const now = this.playback.moment(this.time);
    const degrees = (value) => String(value).padStart(3, "0") + "°";
    const { leg } = now;
    const run = this.plan.legs[leg].kind === "run";
    const tide = minutes.tide[now.minute] ? "Tide " + minutes.tide[now.minute] : "No tide layer";
    const heading = this.plan.legs[leg].known ? "Heading " + degrees(now.heading) + " T" : "Heading not known";
    const flow = minutes.flow[now.minute] ? "Current " + minutes.flow[now.minute] : "No current layer";
    const words = [
      minutes.clock[now.minute] + " · " + this.plan.legs[leg].words.title + (run ? ", gear up" : ", gear down"),
      tide, now.read === null ? "Depth not read here" : "Depth " + minutes.depth[now.read], flow, heading,
      "Over ground " + degrees(now.course) + " T at " + now.speed.toFixed(1) + " " + unit,
    ];
    [this.now, ...this.phrases].forEach((node, index) => { node.textContent = words[index]; });
    const rig = run ? ["gear is up"] : now.rig;
    this.rig.replaceChildren(...rig.map((text) => element("li", "words", text)));
    this.slider.value = Math.round(this.time);
    this.slider.setAttribute("aria-valuetext", words.join(". "));
    this.cursors.forEach(({ line, left, right }) => {
      const x = left + (this.time / this.playback.took) * (right - left);
      line.setAttribute("transform", "translate(" + x.toFixed(1) + " 0)");
    });
  }

  /** Let the graphs' cursors follow, and let a press on a graph set the time. */
  followGraphs() {
    this.cursors = Array.from(document.querySelectorAll("svg.tg"), (graph) => {
      const [left, right] = [Number(graph.dataset.left), Number(graph.dataset.right)];
      const line = graph.querySelector(".tg-now");
      line.style.visibility = "visible";
      graph.addEventListener("click", (event) => {
        const box = graph.getBoundingClientRect();
        const x = ((event.clientX - box.left) / box.width) * graph.viewBox.baseVal.width;
        this.step(((x - left) / (right - left)) * this.playback.took);
      });
      return { line: line, left: left, right: right };
    });
  }

  drawFlows(sheet) {
    const points = this.playback.flowPlaces.map((place) => this.map.latLngToLayerPoint(place));
    sheet.replaceChildren(...apart(points).map((index) =>
      flowSign(this.playback.flow(index, this.time), points[index], index)));
  }

  drawVessel(sheet) {
    const now = this.playback.moment(this.time);
    const at = this.map.latLngToLayerPoint(now.boat);
    const lures = now.lures.map((place) => place && this.map.latLngToLayerPoint(place));
    const line = (className, to) => drawn("line", { class: className, x1: at.x, y1: at.y, x2: to.x, y2: to.y });
    const out = lures.filter(Boolean);
    const boat = hull();
    boat.setAttribute("transform",
      "translate(" + at.x.toFixed(1) + " " + at.y.toFixed(1) + ") rotate(" + now.heading + ")");
    sheet.replaceChildren(boat, ...out.map((to) => line("tow-edge", to)), ...out.map((to) => line("tow", to)),
      ...lures.flatMap((point, index) => (point ? [lureDot(index, point)] : [])));
  }
}

function icon(name) {
  const box = { width: 20, height: 20, viewBox: "0 0 20 20", "aria-hidden": "true", class: "icon" };
  return drawn("svg", box, drawn("path", { d: ICONS[name] }));
}

/** Return what the key says of current arrows: how long one of the unit is. */
function flowEntries(play) {
  const whole = FLOW_PX * play.one_cmps;
  const amount = [0.5, 1, 2].findLast((one) => one * whole <= 33) ?? 0.25;
  const picture = (node) => drawn("svg", { width: 34, height: 20, viewBox: "0 0 34 20", "aria-hidden": "true" }, node);
  const arrow = drawn("path",
    { class: "flow", d: flowPath(amount * whole), transform: "translate(17 10) rotate(90)" });
  const query = drawn("text", { class: "flow-unknown", x: 17, y: 14 });
  query.textContent = "?";
  return [
    [picture(arrow), amount + " " + play.speed_unit + " at any zoom"],
    [picture(drawn("circle", { class: "flow flow-slack", cx: 17, cy: 10, r: 2.5 })), "slack"],
    [picture(query), "not known here"],
  ];
}

/** Return what the key says of the boat and its lures. */
function vesselEntries(plan) {
  const picture = (...nodes) => drawn("svg", { width: 34, height: 20, viewBox: "0 0 34 20", "aria-hidden": "true" }, ...nodes);
  const boat = hull();
  boat.setAttribute("transform", "translate(7 10) rotate(90) scale(.85)");
  return [
    [picture(boat), "boat, on its heading"],
    ...plan.play.lures.map((lure, index) => [picture(lureDot(index, { x: 17, y: 10 })), lure.rod]),
  ];
}
