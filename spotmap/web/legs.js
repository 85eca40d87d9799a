// The legs in the order worked: lines, arrows, numbers, and the strip that steps from one to the next.

const LEG_WEIGHT = { run: 3, pass: 5.5, turn: 3 };
const ARROW_PX = { run: 8, pass: 11, turn: 7 };
const ARROW_GAP_PX = 150;
const FULL_LABEL_WIDTH_PX = 700;
const SHARES = [0.5, 0.32, 0.68, 0.18, 0.82, 0.08, 0.92];

/** Return the legs by track: laps over the very same water share one number plate. */
function legGroups(legs) {
  const groups = new Map();
  for (const leg of legs) {
    const key = JSON.stringify(leg.shape.parts);
    if (!groups.has(key)) {
      groups.set(key, { kind: leg.kind, points: unpack(leg.shape)[0], legs: [] });
    }
    groups.get(key).legs.push(leg);
  }
  return [...groups.values()];
}

/** Draws the legs and knows which one is chosen. */
class Legs {
  constructor(map, plan, surfaces, board) {
    this.map = map;
    this.plan = plan;
    this.surfaces = surfaces;
    this.groups = legGroups(plan.legs);
    this.arrows = L.layerGroup();
    this.layer = L.layerGroup([this.arrows]);
    this.halo = L.polyline([], {
      renderer: surfaces.halo, pane: "halo", interactive: false, className: "chosen", smoothFactor: 0,
    });
    this.chosen = -1;
    this.onChoice = () => {};
    this.draw();
    this.groups.forEach((group) => this.number(group, board));
    map.on("zoomend", () => this.drawArrows());
  }

  draw() {
    const line = (points, pane, className, options) => L.polyline(points, {
      renderer: this.surfaces[pane], pane: pane, className: className, smoothFactor: 0.3, ...options,
    });
    for (const group of this.groups) {
      const weight = LEG_WEIGHT[group.kind] + 4;
      this.layer.addLayer(line(group.points, "halo", "casing", { weight: weight, interactive: false }));
    }
    this.layer.addLayer(this.halo);
    for (const leg of this.plan.legs) {
      const style = { weight: LEG_WEIGHT[leg.kind], interactive: false };
      this.layer.addLayer(line(this.outward(unpack(leg.shape)[0]), "legs", "leg leg-" + leg.kind, style));
    }
    for (const group of this.groups) {
      const grip = line(group.points, "legs", "grip", { weight: 24 });
      this.layer.addLayer(grip.on("click", (event) => this.press(group, event)));
    }
  }

  /** Return a line from its end nearer home, so that the dashes of runs there and back fall together. */
  outward(points) {
    const home = L.latLng(unpack(this.plan.legs[0].shape)[0][0]);
    const [first, last] = [points[0], points[points.length - 1]].map((end) => home.distanceTo(end));
    return first <= last ? points : points.slice().reverse();
  }

  /** Draw arrowheads a fixed way apart on the screen; opposite legs on one line get theirs at other places. */
  drawArrows() {
    this.arrows.clearLayers();
    this.groups.forEach((group, index) => {
      const pixels = group.points.map((point) => this.map.latLngToLayerPoint(point));
      const length = pixels.slice(1).reduce((sum, pixel, i) => sum + pixel.distanceTo(pixels[i]), 0);
      const size = ARROW_PX[group.kind];
      if (length < 2.5 * size) {
        return;
      }
      const count = Math.max(1, Math.round(length / ARROW_GAP_PX));
      for (let i = 0; i < count; i++) {
        const phase = group.kind === "turn" ? 0.5 : index % 2 ? 0.3 : 0.7;
        this.arrows.addLayer(this.arrow(group, pixels, (i + phase) / count, size));
      }
    });
  }

  arrow(group, pixels, share, size) {
    const { at, before } = along(group.points, share);
    const tip = this.map.latLngToLayerPoint(at);
    let behind = before;
    while (behind > 0 && pixels[behind].distanceTo(tip) < size) {
      behind -= 1;
    }
    const away = tip.subtract(pixels[behind]);
    const unit = away.divideBy(Math.hypot(away.x, away.y) || 1);
    const across = L.point(-unit.y, unit.x);
    const corners = [
      tip.add(unit.multiplyBy(size)),
      tip.subtract(unit.multiplyBy(size * 0.7)).add(across.multiplyBy(size * 0.85)),
      tip.subtract(unit.multiplyBy(size * 0.25)),
      tip.subtract(unit.multiplyBy(size * 0.7)).subtract(across.multiplyBy(size * 0.85)),
    ];
    return L.polygon(corners.map((corner) => this.map.layerPointToLatLng(corner)), {
      renderer: this.surfaces.arrows, pane: "arrows", interactive: false, smoothFactor: 0, noClip: true,
      className: "arrow arrow-" + group.kind,
    });
  }

  /** Put a track's number plate on the board: beside it all there is to say where there is room, or its number. */
  number(group, board) {
    const [leg] = group.legs;
    const numbers = group.legs.map((one) => one.seq).join(" · ");
    const head = group.legs.length > 1 ? numbers : leg.words.badge;
    const plate = (className, ...content) => element("span", "plate plate-" + group.kind + className, ...content);
    const shares = SHARES.map((share) => (leg.seq % 2 ? share : 1 - share));
    const on = alongLines([group.points], shares);
    const longer = (width) => this.reach(group) > 1.3 * width;
    const variants = [plate("", head), plate("", numbers)].map((node) => ({ node: node, places: on, fits: longer }));
    if (group.kind !== "turn") {
      const said = leg.words.brief.map((line) => element("em", "", line));
      variants.unshift({
        node: plate(" plate-beside", element("strong", "", numbers), ...said),
        places: beside(shares.map((share) => along(group.points, share).at), 13),
        clear: true,
        fits: (width) => this.map.getSize().x >= FULL_LABEL_WIDTH_PX && longer(width),
      });
    }
    board.keepOffLine(group.points);
    board.add({
      weight: group.kind === "turn" ? 70 : 100,
      variants: variants,
      press: (event) => this.press(group, event),
    });
  }

  /** Return how far a track reaches on the screen, in pixels. */
  reach(group) {
    const box = L.latLngBounds(group.points);
    const corner = this.map.latLngToLayerPoint(box.getNorthWest());
    return corner.distanceTo(this.map.latLngToLayerPoint(box.getSouthEast()));
  }

  press(group, event) {
    L.DomEvent.stop(event);
    const places = group.legs.map((leg) => this.plan.legs.indexOf(leg));
    const next = places[(places.indexOf(this.chosen) + 1) % places.length];
    this.choose(next);
  }

  /** Choose a leg by its place in the plan; outside the plan, none. */
  choose(index) {
    this.chosen = index >= 0 && index < this.plan.legs.length ? index : -1;
    const leg = this.plan.legs[this.chosen];
    this.halo.setLatLngs(leg ? unpack(leg.shape) : []);
    this.onChoice(leg);
  }

  /** Return the box of a run, or of the piece of work that a pass or turn belongs to. */
  surroundings(leg) {
    const together = this.plan.legs.filter((one) => one === leg ||
      (leg.kind !== "run" && one.kind !== "run" && one.work === leg.work));
    return L.latLngBounds(together.flatMap((one) => unpack(one.shape)[0]));
  }

  /** Return the box of the legs worked with gear down, or of all. */
  bounds(gearDownOnly) {
    const some = this.groups.filter((group) => !gearDownOnly || group.kind !== "run");
    return L.latLngBounds((some.length ? some : this.groups).flatMap((group) => group.points));
  }
}

/** Fill the strip below the map: back, what the chosen leg is (pressed: all about it), on. */
function fillStrip(strip, panel, map, plan, legs) {
  const card = element("div", "leg-card");
  const title = element("strong", "words");
  const brief = element("span", "words");
  const text = element("button", "leg-words", title, brief);
  text.type = "button";
  card.hidden = true;
  const back = button("Leg before", "‹", () => legs.choose((legs.chosen < 0 ? plan.legs.length : legs.chosen) - 1));
  const on = button("Next leg", "›", () => legs.choose(legs.chosen + 1));
  const fold = (hidden) => {
    card.hidden = hidden || legs.chosen < 0;
    text.setAttribute("aria-expanded", String(!card.hidden));
  };
  legs.onChoice = (leg) => {
    const count = plan.legs.length;
    title.textContent = leg ? leg.words.title + " (of " + count + ")" : count + " legs, in the order worked";
    brief.textContent = leg ? leg.words.brief.join(" · ") : "Step through, or tap one.";
    card.replaceChildren(definitions(leg ? leg.words.rows : []));
    fold(card.hidden);
    if (leg) {
      bringIntoView(map, legs.surroundings(leg));
    }
  };
  text.addEventListener("click", () => {
    panel.open = panel.open && matchMedia(WIDE).matches;
    fold(!card.hidden);
  });
  panel.addEventListener("toggle", () => fold(card.hidden || (panel.open && !matchMedia(WIDE).matches)));
  legs.choose(-1);
  strip.append(card, back, text, on);
}

/** Move the map where a box is not all in view, or is lost in it. */
function bringIntoView(map, bounds) {
  const size = map.latLngToLayerPoint(bounds.getNorthWest())
    .distanceTo(map.latLngToLayerPoint(bounds.getSouthEast()));
  if (!map.getBounds().contains(bounds) || size < 0.4 * Math.min(map.getSize().x, map.getSize().y)) {
    showAll(map, bounds);
  }
}
