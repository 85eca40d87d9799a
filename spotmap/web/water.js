// Depth, land, closed water, lanes, cautions and hazards.

const HATCHES = {
  fishing: { angle: 45, gap: 11, width: 2.2, colour: "no-fishing" },
  entry: { angle: -45, gap: 9, width: 2.2, colour: "no-entry", crossed: true },
  outside: { angle: 90, gap: 18, width: 1.4, colour: "outside" },
};

/** Put the fill patterns into the page; a path uses one by its id. */
function addPatterns() {
  const patterns = Object.entries(HATCHES).flatMap(([kind, hatch]) =>
    [hatching("hatch-" + kind, hatch, hatch.gap), hatching("hatch-" + kind + "-part", hatch, 0.5 * hatch.gap)]);
  const paper = drawn("rect", { width: 14, height: 14, fill: "var(--unknown)" });
  const dots = [[3.5, 3.5], [10.5, 10.5]].map(([cx, cy]) =>
    drawn("circle", { cx: cx, cy: cy, r: 1.1, fill: "var(--unknown-ink)" }));
  patterns.push(pattern("unknown", 14, 0, [paper, ...dots]));
  const holder = drawn("svg", { width: 0, height: 0, class: "patterns", "aria-hidden": "true" });
  holder.append(drawn("defs", {}, ...patterns));
  document.body.append(holder);
}

/** Return a hatch whose lines are drawn for this much of each gap: all of it is unbroken. */
function hatching(id, hatch, length) {
  const stroke = { stroke: "var(--" + hatch.colour + ")", "stroke-width": hatch.width };
  const half = hatch.gap / 2;
  const [from, to] = [half - length / 2, half + length / 2];
  const lines = [drawn("line", { x1: half, y1: from, x2: half, y2: to, ...stroke })];
  if (hatch.crossed) {
    lines.push(drawn("line", { x1: from, y1: half, x2: to, y2: half, ...stroke }));
  }
  return pattern(id, hatch.gap, hatch.angle, lines);
}

/** Return the fill of closed water; broken lines where it is closed for a part of the trip. */
function hatchOf(water) {
  return "url(#hatch-" + water.kind + (water.part ? "-part)" : ")");
}

function pattern(id, size, angle, children) {
  const box = { width: size, height: size, patternUnits: "userSpaceOnUse" };
  return drawn("pattern", { id: id, ...box, patternTransform: "rotate(" + angle + ")" }, ...children);
}

/** Return the layers of depth and land; unknown water is what shows where nothing covers it. */
function depthLayers(plan, surfaces) {
  const box = L.latLngBounds(unpack(plan.box)[0]).pad(3);
  const bands = plan.bands.map((band) => L.polygon(unpack(band.shape), {
    renderer: surfaces.bands, pane: "bands", interactive: false, stroke: false, smoothFactor: 0.7,
    fillColor: "var(--depth-" + band.shade + ")", fillOpacity: 1,
  }));
  const lines = plan.lines.map((line) => L.polyline(unpack(line.shape), {
    renderer: surfaces.lines, pane: "lines", interactive: false, smoothFactor: 0.7,
    className: line.worked ? "line-worked" : "line-other",
  }));
  return {
    unknown: L.rectangle(box, {
      renderer: surfaces.unknown, pane: "unknown", interactive: false, stroke: false,
      fillColor: "url(#unknown)", fillOpacity: 1, className: "unknown",
    }),
    bands: L.layerGroup(bands),
    land: L.polygon(unpack(plan.land), {
      renderer: surfaces.land, pane: "land", interactive: false, smoothFactor: 0.7, className: "land",
    }),
    lines: L.layerGroup(lines),
  };
}

/** Return closed water, hatched, and the standoff round it. */
function closedLayers(plan, surfaces) {
  const hatched = [];
  const standoffs = [];
  for (const water of plan.closed) {
    const shared = { renderer: surfaces.hatch, pane: "hatch", interactive: false };
    hatched.push(L.polygon(unpack(water.shape), {
      ...shared, fillColor: hatchOf(water), fillOpacity: 1, smoothFactor: 0,
      className: "closed closed-" + water.kind,
    }));
    standoffs.push(L.polygon(unpack(water.standoff), {
      ...shared, fill: false, smoothFactor: 0, className: "standoff standoff-" + water.kind,
    }));
  }
  return { closed: L.layerGroup(hatched), standoffs: L.layerGroup(standoffs) };
}

/** Return the lanes: a line or an outline in long dashes. */
function laneLayer(plan, surfaces) {
  return L.layerGroup(plan.things.lanes.map((lane) => thingShape(lane, surfaces.lanes, "lanes", "lane")));
}

/** Return water to take care in: a dotted outline, or a dot. */
function cautionLayer(plan, surfaces) {
  return L.layerGroup(plan.things.cautions.map((caution) => thingShape(caution, surfaces.lanes, "lanes", "caution")));
}

/** Return the hazards: their shape, and a sign on those near the legs. */
function hazardLayer(plan, surfaces) {
  const layers = [];
  for (const hazard of plan.things.hazards) {
    layers.push(thingShape(hazard, surfaces.hazards, "hazards", "hazard"));
    if (hazard.sign) {
      layers.push(signed(hazard, element("span", "sign sign-hazard", "!")));
    }
  }
  return L.layerGroup(layers);
}

/** Return the marks; private ones have a sign of their own. */
function markLayer(plan) {
  return L.layerGroup(plan.things.marks.map((mark) =>
    signed(mark, element("span", markClass(mark)))));
}

function markClass(mark) {
  return "sign sign-mark" + (mark.private ? " sign-private" : "") + (mark.spot ? " sign-spot" : "");
}

function signed(thing, sign) {
  const icon = L.divIcon({ html: sign, className: "pin", iconSize: null });
  const clear = { autoPanPaddingTopLeft: [6, 60] }; // of the key on a narrow page
  return L.marker(middle(thing), { icon: icon, keyboard: false }).bindPopup(() => thingCard(thing), clear);
}

function thingShape(thing, surface, pane, className) {
  const options = { renderer: surface, pane: pane, smoothFactor: 0.5 };
  const parts = unpack(thing.shape).filter((part) => part.length > 1);
  if (parts.length === 0) {
    const dot = L.circleMarker(middle(thing), { ...options, radius: 3, className: className + " " + className + "-dot" });
    return dot.bindPopup(() => thingCard(thing));
  }
  const layer = thing.areal ? L.polygon(parts, { ...options, className: className + " " + className + "-area" })
    : L.polyline(parts, { ...options, className: className });
  return layer.bindPopup(() => thingCard(thing));
}

/** Return the place of a thing's sign or name. */
function middle(thing) {
  const longest = unpack(thing.shape).reduce((best, part) => (part.length > best.length ? part : best));
  return thing.areal ? L.latLngBounds(longest).getCenter() : along(longest, 0.5).at;
}

function thingCard(thing) {
  const kind = thing.private ? thing.kind + ", private: keep it off a client's handout" : thing.kind;
  return card(thing.name, [kind, ...thing.lines].filter((line) => line));
}

/** Return what a tap on the open map answers: where, how deep, and what is forbidden there. */
function hereCard(plan, latlng) {
  const point = [latlng.lat, latlng.lng];
  const over = (item) => holds(unpack(item.shape), point);
  const band = plan.bands.filter(over).pop();
  const depth = over({ shape: plan.land }) ? "land"
    : band ? "charted depth " + band.words : "not surveyed: depth unknown";
  const node = card(positionWords(latlng), [depth]);
  for (const water of plan.closed.filter(over)) {
    node.append(card(water.name, water.lines));
  }
  return node;
}

/** Return a heading and lines of text. */
function card(title, lines) {
  const node = element("div", "card", element("strong", "words", title));
  for (const line of lines.filter(Boolean)) {
    node.append(element("p", "words", line));
  }
  return node;
}
