// Draws the tract from the data in the page. Names from the data are only ever written as text.
"use strict";

function standmapDraw(map) {
  const data = JSON.parse(document.getElementById("standmap-data").textContent);
  const MILLIONTH = 1e-6;
  const MANY_SHAPES = 4000; // beyond this one canvas is quicker than one element for each shape
  const shapes = data.layers.reduce((n, layer) => n + layer.shapes.parts.length, 0);
  const renderer = shapes > MANY_SHAPES ? L.canvas({ padding: 0.5 }) : L.svg({ padding: 0.5 });
  const phone = window.matchMedia("(max-width: 700px)");
  const byKey = {};

  function el(tag, className, text) {
    const made = document.createElement(tag);
    if (className) made.className = className;
    if (text !== undefined) made.textContent = text;
    return made;
  }

  // Shapes --------------------------------------------------------------------------------------

  function decode(packed) {
    const { parts, rings, points, yx } = packed;
    const found = [];
    let part = 0, ring = 0, at = 0, lat = 0, lon = 0;
    for (const nParts of parts) {
      const shape = [];
      for (let p = 0; p < nParts; p++, part++) {
        const piece = [];
        for (let r = 0; r < rings[part]; r++, ring++) {
          const line = [];
          for (let i = 0; i < points[ring]; i++, at += 2) {
            lat += yx[at];
            lon += yx[at + 1];
            line.push([lat * MILLIONTH, lon * MILLIONTH]);
          }
          piece.push(line);
        }
        shape.push(piece);
      }
      found.push(shape);
    }
    return found;
  }

  function build(layer) {
    const group = L.featureGroup();
    const { fill, weight } = layer.columns;
    layer.drawn = layer.at.map((shape, i) => {
      if (!shape.length) return null;
      const style = { ...layer.style, renderer, bubblingMouseEvents: true };
      style.fill = Boolean(fill);
      if (fill) style.fillColor = fill[i];
      if (weight) style.weight = weight[i];
      let made;
      if (layer.shapes.kind === "polygon") made = L.polygon(shape, style);
      else if (layer.shapes.kind === "line") made = L.polyline(shape.flat(), style);
      else made = L.circleMarker(shape[0][0][0], { ...style, radius: phone.matches ? 2.6 : style.radius });
      made.on("add", () => made.getElement && tag(made, layer, i));
      return made.addTo(group);
    });
    return group;
  }

  function tag(made, layer, i) {
    const path = made.getElement();
    if (path && path.dataset) {
      path.dataset.layer = layer.key;
      path.dataset.at = i;
    }
  }

  // What is at a place --------------------------------------------------------------------------

  function inside(place, piece) {
    let within = false;
    for (const ring of piece) {
      for (let i = 0, j = ring.length - 1; i < ring.length; j = i++) {
        const [ya, xa] = ring[i], [yb, xb] = ring[j];
        if ((ya > place.lat) !== (yb > place.lat) &&
            place.lng < ((xb - xa) * (place.lat - ya)) / (yb - ya) + xa) within = !within;
      }
    }
    return within;
  }

  function near(point, line, reach) {
    const pixels = line.map((c) => map.latLngToLayerPoint(c));
    if (pixels.length === 1) return point.distanceTo(pixels[0]) <= reach;
    return pixels.some((p, i) => i && L.LineUtil.pointToSegmentDistance(point, pixels[i - 1], p) <= reach);
  }

  function holds(layer, i, place) {
    const made = layer.drawn[i];
    if (!made) return false;
    const point = map.latLngToLayerPoint(place);
    if (layer.shapes.kind === "polygon") {
      return made.getBounds().contains(place) && layer.at[i].some((piece) => inside(place, piece));
    }
    if (layer.shapes.kind === "point") return near(point, layer.at[i][0][0], 9);
    return layer.at[i].some((piece) => near(point, piece[0], 6));
  }

  // Smallest things first: a plot is meant before the stand it lies in.
  const ORDER = ["plots", "streams", "channels", "ponds", "stands", "exclusions", "buffers", "units"];

  function whatIsHere(place) {
    const hits = [];
    for (const key of ORDER) {
      const layer = byKey[key];
      if (!layer || !layer.card || !map.hasLayer(layer.group)) continue;
      for (let i = 0; i < layer.at.length; i++) if (holds(layer, i, place)) hits.push([layer, i]);
    }
    return hits;
  }

  // The card ------------------------------------------------------------------------------------

  const card = el("aside", "box");
  card.id = "card";
  card.hidden = true;
  card.setAttribute("aria-live", "polite");
  let lit = null;

  function table(rows, head, className) {
    const made = el("table", className);
    if (head) {
      const line = made.createTHead().insertRow();
      for (const text of head) line.append(el("th", "", text));
    }
    const body = made.createTBody();
    for (const row of rows) {
      const line = body.insertRow();
      row.forEach((text, i) => line.append(el(!head && i === 0 ? "th" : "td", "", text)));
    }
    return made;
  }

  function unlight() {
    if (!lit) return;
    const [layer, i] = lit;
    lit = null;
    const weight = layer.columns.weight ? layer.columns.weight[i] : layer.style.weight;
    layer.drawn[i].setStyle({ color: layer.style.color, weight });
    restack();
  }

  function closeCard() {
    card.hidden = true;
    unlight();
  }

  function openCard(hits, chosen) {
    unlight();
    const [layer, i] = hits[chosen];
    const about = layer.card;
    card.replaceChildren();
    const close = el("button", "close", "×");
    close.setAttribute("aria-label", "Close the card");
    close.addEventListener("click", closeCard);
    card.append(el("h2", "", about.title[i]), close);
    if (hits.length > 1) {
      const also = el("div", "also");
      hits.forEach(([other, j], n) => {
        if (n === chosen) return;
        const chip = el("button", "", other.card.title[j]);
        chip.addEventListener("click", () => openCard(hits, n));
        also.append(chip);
      });
      card.append(also);
    }
    if (about.note && about.note[i]) card.append(el("p", "note", about.note[i]));
    card.append(table(about.rows.filter((r) => r[1][i] !== "").map((r) => [r[0], r[1][i]])));
    if (about.table && about.table.counts[i]) {
      const start = about.table.counts.slice(0, i).reduce((a, b) => a + b, 0);
      const rows = [];
      for (let r = start; r < start + about.table.counts[i]; r++) {
        rows.push(about.table.cells.map((column) => column[r]));
      }
      card.append(table(rows, about.table.head, "products"));
    }
    if (card.textContent.includes("±")) card.append(el("p", "foot", data.foot));
    card.hidden = false;
    card.scrollTop = 0;
    lit = [layer, i];
    layer.drawn[i].setStyle({ color: "#22302a", weight: 4 }).bringToFront();
    restack(data.layers.indexOf(layer) + 1); // what lies above it stays above it
  }

  // Layers, in their order from the ground up ---------------------------------------------------

  function restack(from = 0) {
    for (const layer of data.layers.slice(from)) if (map.hasLayer(layer.group)) layer.group.bringToFront();
  }

  map.createPane("pictures").style.zIndex = 250; // below every shape
  for (const overlay of data.overlays) {
    overlay.group = L.imageOverlay(overlay.image, overlay.bounds, {
      pane: "pictures", opacity: overlay.opacity, className: `picture ${overlay.key}`, alt: overlay.name,
    });
    if (overlay.shown) overlay.group.addTo(map);
  }

  for (const layer of data.layers) {
    layer.at = decode(layer.shapes);
    byKey[layer.key] = layer;
    layer.group = build(layer);
    if (layer.shown) layer.group.addTo(map);
  }

  // Names of stands and units, where there is room ----------------------------------------------

  const names = L.layerGroup().addTo(map);

  // A name goes where it covers no other; units may slip above or below their middle.
  const SLIPS = { stands: [0], units: [16, -16, 30, -30, 0] };

  function room(taken, x, y, width) {
    const box = [x - width / 2, y - 8, x + width / 2, y + 8];
    const free = taken.every((b) => box[0] > b[2] || box[2] < b[0] || box[1] > b[3] || box[3] < b[1]);
    if (free) taken.push(box);
    return free;
  }

  function writeNames() {
    names.clearLayers();
    const view = map.getBounds();
    const taken = [];
    for (const key of ["stands", "units"]) {
      const layer = byKey[key];
      if (!layer || !map.hasLayer(layer.group)) continue;
      layer.labels.forEach((text, i) => {
        const at = layer.labelAt[i];
        if (!at || !layer.drawn[i] || !view.contains(at)) return;
        const shape = layer.drawn[i].getBounds();
        const a = map.latLngToLayerPoint(shape.getNorthWest());
        const b = map.latLngToLayerPoint(shape.getSouthEast());
        const width = 7 * text.length + 6;
        if (key === "stands" && (b.x - a.x < width || b.y - a.y < 18)) return;
        const { x, y } = map.latLngToLayerPoint(at);
        const slip = SLIPS[key].find((down) => room(taken, x, y + down, width));
        if (slip === undefined) return;
        const holder = document.createElement("div");
        holder.append(el("span", "", text));
        const icon = L.divIcon({ className: `name ${key}`, html: holder, iconSize: [0, 0], iconAnchor: [0, -slip] });
        L.marker(at, { icon, interactive: false, keyboard: false }).addTo(names);
      });
    }
  }

  // The side panel ------------------------------------------------------------------------------

  function swatch(layer) {
    const mark = el("span", `swatch ${layer.shapes.kind}`);
    const { style, columns } = layer;
    if (layer.shapes.kind === "line") {
      mark.style.borderTop = `${Math.max(2, style.weight || columns.weight[0])}px solid ${style.color}`;
      return mark;
    }
    if (columns.fill && layer.key !== "stands") {
      mark.style.background = columns.fill[0];
      mark.style.opacity = layer.key === "buffers" ? 0.8 : 1;
    }
    if (layer.key === "stands") {
      const shades = data.shading.classes.map((c) => c[0]);
      mark.style.background = shades.length > 1 ? `linear-gradient(90deg, ${shades.join(",")})` : shades[0];
    } else if (layer.shapes.kind !== "point") {
      mark.style.border = `${style.weight > 2 ? 2 : 1}px ${style.dashArray ? "dashed" : "solid"} ${style.color}`;
    }
    return mark;
  }

  function toggle(thing, mark, small) {
    const line = el("label", "key");
    const box = el("input");
    box.type = "checkbox";
    box.checked = thing.shown;
    box.dataset.layer = thing.key;
    box.addEventListener("change", () => {
      if (box.checked) thing.group.addTo(map);
      else thing.group.remove();
      closeCard();
      restack();
      writeNames();
    });
    line.append(box, mark, el("span", "", thing.name));
    if (small) line.lastChild.append(" ", el("small", "", small));
    return line;
  }

  function legend() {
    const made = el("div");
    made.id = "legend";
    made.append(el("h2", "", data.shading.title));
    const classes = [...data.shading.classes];
    if (data.shading.none) classes.push(data.shading.none);
    for (const [colour, text] of classes) {
      const line = el("div", "key");
      const mark = el("span", "swatch");
      mark.style.background = colour;
      mark.style.opacity = byKey.stands.style.fillOpacity; // as it looks on the map
      mark.style.outline = "1px solid #9aa79f";
      line.append(mark, el("span", "", text));
      made.append(line);
    }
    return made;
  }

  function finder() {
    const stands = byKey.stands;
    const list = el("select");
    list.id = "find";
    list.setAttribute("aria-label", "Find a stand");
    list.append(new Option("Find a stand …", ""));
    stands.labels.forEach((text, i) => list.append(new Option(text, i)));
    list.addEventListener("change", () => {
      const i = list.value;
      if (i === "" || !stands.drawn[i]) return;
      if (!map.hasLayer(stands.group)) return;
      map.fitBounds(stands.drawn[i].getBounds(), { ...padding(), maxZoom: 17 });
      openCard([[stands, Number(i)]], 0);
    });
    return list;
  }

  function side() {
    const made = el("section", "box");
    made.id = "side";
    const header = el("header");
    header.append(el("h1", "", data.title));
    data.lines.forEach((text, i) => header.append(el("p", i ? "answer" : "", text)));
    const main = el("details");
    main.open = !phone.matches;
    main.append(el("summary", "", "Legend and layers"), legend(), el("h2", "", "Show"));
    for (const layer of [...data.layers].reverse()) {
      if (layer.key !== "outline") main.append(toggle(layer, swatch(layer)));
    }
    for (const overlay of data.overlays) {
      const mark = el("span", "swatch");
      mark.style.background = `linear-gradient(90deg, ${(overlay.ramp || ["#444", "#eee"]).join(",")})`;
      main.append(toggle(overlay, mark, overlay.note));
    }
    main.append(finder());
    const cautions = el("details", "cautions");
    cautions.append(el("summary", "", "Before you lean on this"));
    for (const [head, body] of data.cautions) {
      const line = el("p");
      line.append(el("strong", "", head), " ", body);
      cautions.append(line);
    }
    made.append(header, main, cautions);
    return made;
  }

  function padding() {
    return phone.matches
      ? { paddingTopLeft: [12, 110], paddingBottomRight: [12, 60] }
      : { paddingTopLeft: [316, 16], paddingBottomRight: [16, 44] };
  }

  const north = el("div", "box", "▲");
  north.id = "north";
  north.append(el("br"), "N");
  north.title = "North is up";
  const caution = el("div", "box", data.caution);
  caution.id = "caution";
  document.body.append(side(), card, north, caution);
  L.control.scale({ metric: false, maxWidth: 160, position: "bottomright" }).addTo(map);

  map.on("click", (event) => {
    const hits = whatIsHere(event.latlng);
    if (hits.length) openCard(hits, 0);
    else closeCard();
  });
  document.addEventListener("keydown", (event) => event.key === "Escape" && closeCard());
  map.on("moveend", writeNames);
  map.fitBounds(data.bounds, padding());
  restack();
  writeNames();
}
