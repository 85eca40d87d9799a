// Names on the map: each is put at the first of its places where it covers nothing that it must not, or is left out
// until the map is moved or zoomed.

const MARGIN_PX = 4;
const DOT_GAP_PX = 10;

/** Return the point at a share (0 to 1) of a line's length in degrees, and the number of the vertex before it. */
function along(points, share) {
  const squeeze = Math.cos((points[0][0] * Math.PI) / 180);
  const lengths = [0];
  for (let i = 1; i < points.length; i++) {
    const north = points[i][0] - points[i - 1][0];
    lengths.push(lengths[i - 1] + Math.hypot(north, (points[i][1] - points[i - 1][1]) * squeeze));
  }
  const wanted = share * lengths[lengths.length - 1];
  if (!(wanted > 0)) {
    return { at: L.latLng(points[0]), before: 0 };
  }
  const after = Math.max(1, lengths.findIndex((length) => length >= wanted));
  const part = (wanted - lengths[after - 1]) / (lengths[after] - lengths[after - 1]);
  const [a, b] = [points[after - 1], points[after]];
  return { at: L.latLng(a[0] + part * (b[0] - a[0]), a[1] + part * (b[1] - a[1])), before: after - 1 };
}

/** Return a function that gives places along lines at these shares of their length. */
function alongLines(lines, shares) {
  const places = shares.flatMap((share) => lines.map((line) => ({ at: along(line, share).at, dx: 0, dy: 0 })));
  return () => places;
}

/** Return a function that gives places at vertices, first those half-way from the middle of the view to its rim. */
function amongVertices(lines) {
  const vertices = lines.flat();
  const every = Math.ceil(vertices.length / 400);
  const some = vertices.filter((_, i) => i % every === 0);
  return (view) => {
    const centre = view.getCenter();
    const reach = (view.getNorth() - view.getSouth()) / 3;
    const squeeze = Math.cos((centre.lat * Math.PI) / 180);
    const away = ([lat, lon]) => Math.abs(Math.hypot(lat - centre.lat, (lon - centre.lng) * squeeze) - reach);
    return some.filter((point) => view.contains(point))
      .map((point) => ({ at: L.latLng(point), dx: 0, dy: 0, far: away(point) }))
      .sort((a, b) => a.far - b.far);
  };
}

/** Return a function that gives places on the four sides of points, `gap` pixels off. */
function beside(points, gap) {
  return (view, width, height) => {
    const [dx, dy] = [width / 2 + gap, height / 2 + gap];
    const sides = [["right", dx, 0], ["left", -dx, 0], ["above", 0, -dy], ["below", 0, dy]];
    return points.flatMap((at) => sides.map(([side, x, y]) => ({ at: at, dx: x, dy: y, side: side })));
  };
}

/** Return a function that gives places inside rings and off the land, nearest the middle of what is in view first. */
function insideRings(rings, land) {
  const bounds = L.latLngBounds(rings.flat());
  return (view) => {
    const south = Math.max(bounds.getSouth(), view.getSouth());
    const north = Math.min(bounds.getNorth(), view.getNorth());
    const west = Math.max(bounds.getWest(), view.getWest());
    const east = Math.min(bounds.getEast(), view.getEast());
    if (south >= north || west >= east) {
      return [];
    }
    const places = [];
    for (let i = 0; i < 81; i++) {
      const [row, column] = [Math.floor(i / 9) - 4, (i % 9) - 4];
      const lat = (south + north) / 2 + (row / 9) * (north - south);
      const lon = (west + east) / 2 + (column / 9) * (east - west);
      if (holds(rings, [lat, lon]) && !holds(land, [lat, lon])) {
        places.push({ at: L.latLng(lat, lon), dx: 0, dy: 0, far: row * row + column * column });
      }
    }
    return places.sort((a, b) => a.far - b.far);
  };
}

/** Keeps the names on a map apart. */
class LabelBoard {
  constructor(map) {
    this.map = map;
    this.items = [];
    this.signs = [];
    this.lines = [];
    this.layer = L.layerGroup();
    this.ruler = element("div", "ruler");
    map.getContainer().append(this.ruler);
    map.on("moveend resize", () => this.refresh());
  }

  /**
   * Add a name: `weight` (the heavier choose first), `press` if it can be pressed, `shown` if it is not always wanted,
   * and `variants`, of which the first that finds room is shown. A variant has a `node`, its `places` (a function of the view, the node's width
   * and its height), `clear` if it must not cover a leg, and may have `fits`, a function of its width and height.
   */
  add(item) {
    this.items.push(item);
    this.items.sort((a, b) => b.weight - a.weight);
  }

  /** Keep names off a sign at this place. */
  keepOffSign(at) {
    this.signs.push(at);
  }

  /** Keep the names that ask for it off this line. */
  keepOffLine(points) {
    this.lines.push(points.map((point) => L.latLng(point)));
  }

  refresh() {
    this.layer.clearLayers();
    if (!this.map.hasLayer(this.layer)) {
      return;
    }
    const taken = [...this.signBoxes(), ...this.controlBoxes()];
    const dots = this.lineDots();
    for (const item of this.items.filter((one) => !one.shown || one.shown())) {
      for (const variant of item.variants) {
        const found = this.fit(variant, variant.clear ? [...taken, ...dots] : taken);
        if (found) {
          taken.push(found.box);
          this.layer.addLayer(this.marker(item, variant.node, found.place));
          break;
        }
      }
    }
  }

  signBoxes() {
    return this.signs.map((at) => {
      const { x, y } = this.map.latLngToContainerPoint(at);
      return { left: x - 11, right: x + 11, top: y - 11, bottom: y + 11 };
    });
  }

  controlBoxes() {
    const frame = this.map.getContainer();
    const origin = frame.getBoundingClientRect();
    return Array.from(frame.querySelectorAll(".leaflet-control"), (control) => {
      const box = control.getBoundingClientRect();
      return {
        left: box.left - origin.left, right: box.right - origin.left,
        top: box.top - origin.top, bottom: box.bottom - origin.top,
      };
    });
  }

  /** Return dots every few pixels of the lines, as boxes of no size, where they are in view. */
  lineDots() {
    const frame = this.map.getSize();
    const dots = [];
    for (const line of this.lines) {
      let last = this.map.latLngToContainerPoint(line[0]);
      for (const latlng of line) {
        const point = this.map.latLngToContainerPoint(latlng);
        const count = Math.min(400, Math.round(point.distanceTo(last) / DOT_GAP_PX));
        const step = point.subtract(last).divideBy(count || 1);
        for (let i = 0; i < count; i++) {
          last = last.add(step);
          if (last.x > 0 && last.y > 0 && last.x < frame.x && last.y < frame.y) {
            dots.push({ left: last.x, right: last.x, top: last.y, bottom: last.y });
          }
        }
      }
    }
    return dots;
  }

  /** Return the first free place of a variant and the box it takes, or null. */
  fit(variant, taken) {
    const [width, height] = (variant.size ??= this.measure(variant.node));
    if (variant.fits && !variant.fits(width, height)) {
      return null;
    }
    const frame = this.map.getSize();
    for (const place of variant.places(this.map.getBounds(), width, height)) {
      const point = this.map.latLngToContainerPoint(place.at);
      const [x, y] = [point.x + place.dx, point.y + place.dy];
      const box = { left: x - width / 2, right: x + width / 2, top: y - height / 2, bottom: y + height / 2 };
      const seen = box.left > 0 && box.top > 0 && box.right < frame.x && box.bottom < frame.y;
      if (seen && !taken.some((other) => overlap(box, other))) {
        return { box: box, place: place };
      }
    }
    return null;
  }

  measure(node) {
    this.ruler.append(node);
    const size = [node.offsetWidth, node.offsetHeight];
    node.remove();
    return size;
  }

  marker(item, node, place) {
    node.style.left = place.dx + "px";
    node.style.top = place.dy + "px";
    node.classList.remove("right", "left", "above", "below");
    if (place.side) {
      node.classList.add(place.side);
    }
    const icon = L.divIcon({ html: node, className: "pin", iconSize: null });
    const pressed = Boolean(item.press);
    const marker = L.marker(place.at, { icon: icon, interactive: pressed, keyboard: false, zIndexOffset: 1000 });
    return pressed ? marker.on("click", item.press) : marker;
  }
}

function overlap(a, b) {
  return a.left - MARGIN_PX < b.right && b.left - MARGIN_PX < a.right &&
    a.top - MARGIN_PX < b.bottom && b.top - MARGIN_PX < a.bottom;
}

/** Put the names of depth lines, closed water, lanes, hazards and marks on the board. */
function nameEverything(plan, board) {
  for (const line of plan.lines) {
    const node = element("span", line.worked ? "name name-worked" : "name name-line", line.words);
    const places = amongVertices(unpack(line.shape).filter((part) => part.length > 4));
    board.add({ weight: line.worked ? 75 : 40, variants: [{ node: node, places: places, clear: true }] });
  }
  const land = unpack(plan.land);
  for (const water of plan.closed) {
    board.add({ weight: 105, variants: closedVariants(water, land, board.map) });
  }
  for (const thing of [...plan.things.marks, ...plan.things.hazards.filter((hazard) => hazard.sign)]) {
    const node = element("span", "name name-thing words", thing.name);
    if (thing.private) {
      node.append(element("em", "", "private"));
    }
    const places = beside([middle(thing)], 16);
    board.keepOffSign(middle(thing));
    board.add({ weight: 110, variants: [{ node: node, places: places, clear: true }, { node: node, places: places }] });
  }
  for (const lane of plan.things.lanes) {
    const node = element("span", "name name-lane words", lane.name);
    const places = alongLines(unpack(lane.shape), [0.5, 0.4, 0.6, 0.3, 0.7, 0.2, 0.8, 0.1, 0.9]);
    board.add({ weight: 60, variants: [{ node: node, places: places, clear: true }] });
  }
}

/** Return a closure's name with what it forbids and when, for where it is large on the screen, and its bare name. */
function closedVariants(water, land, map) {
  const rings = unpack(water.shape);
  const bounds = L.latLngBounds(rings.flat());
  const plate = (...more) => element("span", "name name-closed", element("strong", "words", water.name), ...more);
  const long = plate(...water.lines.slice(0, 2).map((line) => element("em", "", line)));
  const bare = plate();
  const places = insideRings(rings, land);
  const large = (width, height) => {
    const corner = map.latLngToLayerPoint(bounds.getNorthWest());
    const size = map.latLngToLayerPoint(bounds.getSouthEast()).subtract(corner);
    return size.x > 1.2 * width && size.y > 2 * height;
  };
  return [
    { node: long, places: places, clear: true, fits: large },
    { node: bare, places: places, clear: true },
    { node: bare, places: places },
  ];
}
