// A section through the bottom: along a pass, or straight between two touched places.

const SECTION_PX = { height: 132, left: 46, right: 14, top: 16, bottom: 22 };
const NICE = [1, 2, 5, 10];

/** Return round numbers from `least` to `most`, about `count` of them. */
function roundNumbers(least, most, count) {
  const rough = (most - least) / count;
  const decade = 10 ** Math.floor(Math.log10(rough));
  const step = decade * NICE.find((nice) => nice * decade >= rough * (1 - 1e-9));
  const first = Math.ceil(least / step - 1e-9);
  return Array.from({ length: Math.floor(most / step + 1e-9) - first + 1 }, (_, i) =>
    Number(((first + i) * step).toPrecision(12)));
}

/** Return runs of neighbours that are alike: [first, last] of each, for known (true) or unknown numbers. */
function runsOf(numbers, known) {
  const runs = [];
  numbers.forEach((number, i) => {
    if (Number.isFinite(number) !== known) {
      return;
    }
    const last = runs[runs.length - 1];
    if (last && last[1] === i - 1) {
      last[1] = i;
    } else {
      runs.push([i, i]);
    }
  });
  return runs;
}

/** Return the section along a pass, as it was read from the area's own depth. */
function passSection(plan, leg) {
  const { every_m: every, depth_cm: depths } = plan.profiles[leg.profile];
  const points = unpack(leg.shape)[0];
  return {
    title: "Section along " + leg.words.title,
    depths: depths.map((depth) => (depth === null ? NaN : depth / 100)),
    every: every,
    length: every * (depths.length - 1),
    gear: leg.gear_cm === null ? NaN : leg.gear_cm / 100,
    read: "read every " + shortWords(plan, every),
    points: points,
    place: (share) => along(points, share).at,
  };
}

/** Return the section straight between two places, from the page's own grid. */
function touchedSection(plan, bottom, from, to) {
  const [north, east] = metresPerDegree((from.lat + to.lat) / 2);
  const length = Math.hypot((to.lat - from.lat) * north, (to.lng - from.lng) * east);
  const count = Math.max(1, Math.ceil((2 * length) / bottom.record.every_m));
  const places = Array.from({ length: count + 1 }, (_, i) => mixed([from.lat, from.lng], [to.lat, to.lng], i / count));
  const beyond = places.some((place) => !bottom.reaches(place));
  return {
    title: "Section from A to B",
    depths: places.map((place) => bottom.at(place)),
    every: length / count,
    length: length,
    gear: NaN,
    read: "read every " + shortWords(plan, bottom.record.every_m) + " and straight between"
      + (bottom.hasSteps ? ", or in steps where depth is told in areas" : "") + (beyond ? ". Part of it lies outside the water that this page holds" : ""),
    points: [places[0], places[count]],
    place: (share) => L.latLng(mixed(places[0], places[count], share)),
  };
}

function shortWords(plan, metres) {
  const { near, near_unit_m: unit } = plan.reading;
  return Math.max(1, Math.round(metres / unit)) + " " + near;
}

/** Return what is said of a section. */
function sectionWords(plan, section) {
  const { depth: unit, depth_unit_m: metres, distance, distance_unit_m: far, datum } = plan.reading;
  const known = section.depths.filter(Number.isFinite);
  const tenth = unit === "ft" ? 1 : 10;
  const [low, high] = known.length ? [Math.floor((tenth * Math.min(...known)) / metres + 1e-6) / tenth,
    Math.ceil((tenth * Math.max(...known)) / metres - 1e-6) / tenth] : [];
  const words = [(section.length / far).toFixed(2) + " " + distance + " long"];
  const span = low < 0 ? "dries by " + -low + ", deepest " + high : low + " to " + high;
  words.push(known.length ? span + " " + unit + " charted at " + datum + ", tide not counted"
    : "its depth is not known");
  if (Number.isFinite(section.gear) && known.length) {
    const room = Math.floor((tenth * (Math.min(...known) - section.gear)) / metres + 1e-6) / tenth;
    words.push("gear down to " + (section.gear / metres).toFixed(0) + " " + unit + ", at least " + room + " " + unit
      + " over the bottom read");
  }
  if (known.length && known.length < section.depths.length) {
    words.push("gaps: depth not known");
  }
  return words.join(" · ") + " · " + section.read + ".";
}

/** Return a section as a picture this wide. */
function sectionPicture(plan, section, width) {
  const { depth_unit_m: unit, distance_unit_m: far } = plan.reading;
  const { height, left, right, top, bottom } = SECTION_PX;
  const known = section.depths.filter(Number.isFinite);
  const deepest = Math.max(1, ...known, ...(Number.isFinite(section.gear) ? [section.gear] : [])) * 1.08;
  const highest = Math.min(0, ...known);
  const x = (metres) => left + (metres / (section.length || 1)) * (width - left - right);
  const y = (metres) => top + ((metres - highest) / (deepest - highest)) * (height - top - bottom);
  const xs = section.depths.map((_, i) => x(i * section.every).toFixed(1));
  const words = (at, text, anchor, className = "") => {
    const node = drawn("text", { x: at[0], y: at[1], "text-anchor": anchor, class: className });
    node.textContent = text;
    return node;
  };
  const sheet = drawn("svg", { viewBox: "0 0 " + width + " " + height, role: "img", class: "section-picture" });
  sheet.setAttribute("aria-label", section.title + ": " + sectionWords(plan, section));
  sheet.append(drawn("rect", { x: left, y: y(0), width: width - left - right, height: height - bottom - y(0),
    class: "section-water" }));
  // A gap reaches from the last reading before it to the first after it: unknown water is never bridged.
  for (const [first, last] of runsOf(section.depths, false)) {
    const [from, to] = [xs[Math.max(0, first - 1)], xs[Math.min(xs.length - 1, last + 1)]];
    sheet.append(drawn("rect", { x: from, y: top, width: Math.max(1, to - from), height: height - top - bottom,
      fill: "url(#unknown)", class: "section-gap" }));
  }
  for (const [first, last] of runsOf(section.depths, true)) {
    const points = section.depths.slice(first, last + 1).map((depth, i) => xs[first + i] + " " + y(depth).toFixed(1));
    if (first === last) {
      points.push(points[0]);
    }
    const floor = height - bottom;
    sheet.append(
      drawn("path", { d: "M" + xs[first] + " " + floor + "L" + points.join("L") + "L" + xs[last] + " " + floor + "Z",
        class: "section-ground" }),
      drawn("path", { d: "M" + points.join("L"), class: "section-bottom" }));
  }
  for (const depth of roundNumbers(highest / unit, deepest / unit, 4)) {
    const at = y(depth * unit).toFixed(1);
    sheet.append(drawn("path", { d: "M" + left + " " + at + "H" + (width - right),
      class: depth === 0 ? "section-datum" : "section-rule" }),
    words([left - 5, Number(at) + 4], depth === 0 ? "0 " + plan.reading.depth : depth, "end"));
  }
  const rounds = roundNumbers(0, section.length / far || 1, Math.max(2, Math.floor(width / 130)));
  for (const one of rounds.filter((one) => one * far <= section.length)) {
    const at = x(one * far);
    sheet.append(drawn("path", { d: "M" + at.toFixed(1) + " " + (height - bottom) + "v4", class: "section-tick" }),
      words([at, height - 5], one === 0 ? "0 " + plan.reading.distance : one, one === 0 ? "start" : "middle"));
  }
  if (Number.isFinite(section.gear)) {
    const at = y(section.gear);
    sheet.append(drawn("path", { d: "M" + left + " " + at.toFixed(1) + "H" + (width - right), class: "section-gear" }),
      words([width - right - 6, at - 4], "gear " + (section.gear / unit).toFixed(0) + " " + plan.reading.depth, "end",
        "section-said"));
  }
  sheet.append(words([left, 11], "A", "middle", "section-said"),
    words([width - right, 11], "B", "middle", "section-said"),
    drawn("path", { d: "M0 " + top + "V" + (height - bottom), class: "section-here" }));
  return sheet;
}

/**
 * The control that asks for a section, and the panel that shows it. Whoever makes it sets `legs`, and `fold`, which
 * folds what would leave the map too little room.
 */
class SectionPanel {
  constructor(map, plan, surfaces, bottom) {
    this.map = map;
    this.plan = plan;
    this.bottom = bottom;
    this.legs = null;
    this.fold = () => {};
    this.ends = null;
    this.section = null;
    const options = { renderer: surfaces.arrows, pane: "arrows", interactive: false, smoothFactor: 0 };
    this.edge = L.polyline([], { ...options, className: "cut-edge" });
    this.line = L.polyline([], { ...options, className: "cut" });
    this.dot = L.circleMarker([0, 0], { ...options, radius: 6, className: "cut-dot" });
    this.marks = L.layerGroup();
    this.button = button("Section between two places: touch one, then the other", "", () =>
      (this.ends || this.section ? this.close() : this.ask()));
    this.button.append(drawn("svg", { width: 24, height: 22, viewBox: "0 0 24 22", "aria-hidden": "true" },
      drawn("path", { d: "M1 4H23", class: "cut-icon-water" }),
      drawn("path", { d: "M1 9C6 9 6 17 10 17S14 10 17 10S20 15 23 18", class: "cut-icon-ground" })));
    this.button.setAttribute("aria-pressed", "false");
    this.fill();
    this.listen();
  }

  fill() {
    this.title = element("strong", "words");
    this.said = element("p", "words");
    this.said.setAttribute("role", "status");
    this.box = element("div", "section-box");
    this.slider = element("input", "");
    Object.assign(this.slider, { type: "range", min: 0, step: 1 });
    this.slider.setAttribute("aria-label", "Place along the section");
    this.slider.addEventListener("input", () => this.tell());
    this.here = element("output", "words");
    this.reader = element("div", "section-reader", this.slider, this.here);
    this.more = element("span", "section-more");
    const close = button("Close the section", "×", () => this.close());
    this.node = element("div", "section-panel", element("div", "section-head", this.title, this.more, close), this.said,
      this.box, this.reader);
    this.node.setAttribute("role", "region");
    this.node.setAttribute("aria-label", "Section");
    this.node.hidden = true;
    this.map.getContainer().parentNode.append(this.node);
    new ResizeObserver(() => this.draw()).observe(this.box);
    new ResizeObserver(() => this.makeRoom()).observe(this.node);
  }

  /** While places are asked for, a touch anywhere on the map is one, whatever lies there; Enter takes the middle. */
  listen() {
    const frame = this.map.getContainer();
    this.cross = element("div", "cut-cross");
    frame.append(this.cross);
    frame.addEventListener("click", (event) => {
      if (!this.ends || this.map.dragging.moved() || event.target.closest(".leaflet-control, .leaflet-popup")) {
        return;
      }
      event.stopPropagation();
      event.preventDefault();
      this.take(this.map.mouseEventToLatLng(event));
    }, true);
    frame.addEventListener("keydown", (event) => {
      if (this.ends && event.key === "Enter" && event.target === frame) {
        event.preventDefault();
        this.take(this.map.getCenter());
      }
    });
    document.addEventListener("keydown", (event) => {
      if (event.key === "Escape" && !this.node.hidden) {
        this.close();
      }
    });
  }

  /** Ask for two places. */
  ask() {
    this.clear();
    this.fold();
    this.ends = [];
    this.map.closePopup();
    this.title.textContent = "Section";
    this.said.textContent = "Touch the map where the section begins. (By keyboard: move the map, Enter takes its middle.)";
    this.offerLeg();
    this.open();
    this.map.getContainer().classList.add("cutting");
  }

  offerLeg() {
    const leg = this.legs && this.plan.legs[this.legs.chosen];
    this.more.replaceChildren(...(leg && leg.profile !== null
      ? [button("Section along " + leg.words.title, "Along " + leg.words.title, () => this.showLeg(leg))] : []));
  }

  take(place) {
    this.ends.push(place);
    this.marks.addLayer(this.end("AB"[this.ends.length - 1], place)).addTo(this.map);
    if (this.ends.length < 2) {
      this.said.textContent = "A is at " + positionWords(place) + ". Touch where the section ends.";
      return;
    }
    const [from, to] = this.ends;
    this.show(touchedSection(this.plan, this.bottom, from, to));
  }

  end(letter, place) {
    const icon = L.divIcon({ html: element("span", "cut-end", letter), className: "pin", iconSize: null });
    return L.marker(place, { icon: icon, interactive: false, keyboard: false, zIndexOffset: 2000 });
  }

  /** Show the section along a pass. */
  showLeg(leg) {
    this.show(passSection(this.plan, leg));
  }

  show(section) {
    this.clear();
    this.fold();
    this.section = section;
    this.title.textContent = section.title;
    this.said.textContent = sectionWords(this.plan, section);
    this.more.replaceChildren(button("Another section between two places", "Another", () => this.ask()));
    this.slider.max = section.depths.length - 1;
    this.slider.value = Math.round((section.depths.length - 1) / 2);
    this.edge.setLatLngs(section.points).addTo(this.map);
    this.line.setLatLngs(section.points).addTo(this.map);
    const ends = [section.points[0], section.points[section.points.length - 1]];
    ends.forEach((place, i) => this.marks.addLayer(this.end("AB"[i], place)));
    this.marks.addTo(this.map);
    this.dot.addTo(this.map);
    this.open();
    this.draw();
    this.makeRoom();
    const bounds = L.latLngBounds(section.points);
    if (!this.map.getBounds().contains(bounds)) {
      showAll(this.map, bounds, this.map.getZoom());
    }
  }

  open() {
    this.node.hidden = false;
    this.reader.hidden = this.box.hidden = !this.section;
    this.button.setAttribute("aria-pressed", "true");
    this.makeRoom();
  }

  /** Let the map end where the panel begins. */
  makeRoom() {
    const chart = this.map.getContainer().parentNode;
    chart.classList.toggle("with-section", !this.node.hidden);
    chart.style.setProperty("--section", (this.node.hidden ? 0 : this.node.offsetHeight) + "px");
    this.map.invalidateSize({ pan: false });
  }

  /** Draw the picture as wide as its box, if there is a section. */
  draw() {
    if (!this.section) {
      return;
    }
    const width = Math.max(240, Math.round(this.box.clientWidth));
    this.box.replaceChildren(sectionPicture(this.plan, this.section, width));
    this.tell();
  }

  /** Tell the depth where the slider stands, and show that place on the picture and on the map. */
  tell() {
    const { depth, depth_unit_m: unit, distance, distance_unit_m: far } = this.plan.reading;
    const { depths, every, place } = this.section;
    const index = Number(this.slider.value);
    const metres = depths[index];
    const said = Number.isFinite(metres) ? (metres / unit).toFixed(1) + " " + depth : "depth not known";
    const words = ((index * every) / far).toFixed(2) + " " + distance + " from A: " + said;
    this.here.textContent = words;
    this.slider.setAttribute("aria-valuetext", words);
    const share = depths.length > 1 ? index / (depths.length - 1) : 0;
    this.dot.setLatLng(place(share));
    const picture = this.box.firstChild;
    const room = picture.viewBox.baseVal.width - SECTION_PX.left - SECTION_PX.right;
    picture.querySelector(".section-here").setAttribute("transform",
      "translate(" + (SECTION_PX.left + share * room).toFixed(1) + " 0)");
  }

  /** Offer the section of a chosen pass on its card, and show it in place of another pass's. */
  chosen(leg, cardNode) {
    if (leg && leg.profile !== null) {
      const make = button("Section along " + leg.words.title, "Section along this pass", () => this.showLeg(leg));
      make.classList.add("section-button");
      cardNode.append(make);
      if (this.section && Number.isFinite(this.section.gear)) {
        this.showLeg(leg);
      }
    }
    if (this.ends) {
      this.offerLeg();
    }
  }

  clear() {
    this.ends = this.section = null;
    this.marks.clearLayers();
    [this.edge, this.line, this.dot, this.marks].forEach((layer) => layer.remove());
    this.map.getContainer().classList.remove("cutting");
  }

  close() {
    this.clear();
    this.node.hidden = true;
    this.button.setAttribute("aria-pressed", "false");
    this.makeRoom();
  }
}
