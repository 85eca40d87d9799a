// Starts the page: reads the plan that stands in it, draws, and keeps the map the size of its frame.

const WIDE = "(min-width: 900px)";

function start() {
  const plan = JSON.parse(document.getElementById("plan-data").textContent);
  const panel = document.getElementById("panel");
  addPatterns();
  addFormPatterns();
  fillHead(document.getElementById("head"), plan);
  fillPanel(panel, plan);
  panel.open = matchMedia(WIDE).matches;

  const surfaces = makeSurfaces(map);
  const board = new LabelBoard(map);
  const legs = new Legs(map, plan, surfaces, board);
  const { unknown, ...depth } = depthLayers(plan, surfaces);
  const clock = new Clock(map, plan, document.getElementById("clock"));
  const bottom = new Bottom(plan.bottom);
  const section = new SectionPanel(map, plan, surfaces, bottom);
  section.legs = legs;
  const layers = {
    ...depth,
    lanes: laneLayer(plan, surfaces),
    cautions: cautionLayer(plan, surfaces),
    ...closedLayers(plan, surfaces),
    hazards: hazardLayer(plan, surfaces),
    marks: markLayer(plan),
    forms: formLayer(plan, surfaces),
    slope: slopeLayer(bottom),
    legs: legs.layer,
    lures: lureLayer(map, plan, surfaces),
    names: board.layer,
    vessel: clock.vessel,
    ...(clock.flows ? { flows: clock.flows } : {}),
  };
  nameEverything(plan, board);
  nameForms(plan, board, layers.forms);
  map.fitBounds(legs.bounds(true), { animate: false });
  const groups = keyGroups(plan, layers);
  const off = new Set(groups.filter((group) => group.off).flatMap((group) => group.layers));
  [unknown, ...Object.values(layers)].filter((layer) => !off.has(layer)).forEach((layer) => map.addLayer(layer));

  viewControl(map, legs, section).addTo(map);
  const key = keyControl(map, groups).addTo(map).getContainer();
  key.open = matchMedia(WIDE).matches;
  key.addEventListener("toggle", () => board.refresh());
  scaleControl(map).addTo(map);
  const strip = document.getElementById("strip");
  fillStrip(strip, panel, map, plan, legs);
  const legWords = strip.querySelector(".leg-words");
  section.fold = () => legWords.getAttribute("aria-expanded") === "true" && legWords.click();
  const chosen = legs.onChoice;
  legs.onChoice = (leg) => {
    chosen(leg);
    section.chosen(leg, strip.querySelector(".leg-card"));
    if (leg) {
      clock.show(clock.playback.legs[plan.legs.indexOf(leg)]);
    }
  };
  map.on("layeradd layerremove", (event) =>
    [board.layer, layers.forms].includes(event.layer) && board.refresh());
  map.on("click", (event) => map.openPopup(hereCard(plan, event.latlng), event.latlng));
  showAll(map, legs.bounds(true));
  legs.drawArrows();
  board.refresh();
  new ResizeObserver(() => map.invalidateSize({ pan: false })).observe(map.getContainer());
  prepareForPaper(map, panel, key, legs, clock, section);
}

function fillHead(head, plan) {
  const badges = plan.badges.map((text) => element("span", "badge", text));
  head.prepend(element("h1", "words", plan.title), element("p", "when", plan.subtitle), ...badges);
}

/** Before printing lay the page out for paper: a map of fixed size, the key and the panel below it; then undo it. */
function prepareForPaper(map, panel, key, legs, clock, section) {
  const home = key.parentNode;
  const folds = [panel, key, ...panel.querySelectorAll("details")];
  let open = [];
  window.addEventListener("beforeprint", () => {
    clock.play(false);
    open = folds.map((fold) => fold.open);
    folds.forEach((fold) => { fold.open = true; });
    panel.before(key);
    document.body.classList.add("paper");
    section.draw();
    section.makeRoom();
    showAll(map, legs.bounds(true));
  });
  window.addEventListener("afterprint", () => {
    document.body.classList.remove("paper");
    section.draw();
    section.makeRoom();
    home.append(key);
    folds.forEach((fold, index) => { fold.open = open[index]; });
    map.invalidateSize({ pan: false });
  });
}

start();
