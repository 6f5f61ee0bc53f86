"use strict";
/* A press on the map of a site's place fills in the coordinates below; the mark may be dragged. */
(function placeByHand() {
  const map = document.getElementById("place-map");
  const form = document.getElementById("place-form");
  if (!map || !form) return;
  const here = document.getElementById("here");
  const { north, south, west, east } = Object.fromEntries(
    Object.entries(map.dataset).map(([name, text]) => [name, Number(text)]));
  // Rows lie as in spherical Mercator; over one such map that and even degrees are the same to the metre.
  const rise = (degrees) => Math.asinh(Math.tan((degrees * Math.PI) / 180));
  let isDragging = false;
  const put = (event) => {
    const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(map.getScreenCTM().inverse());
    const box = map.viewBox.baseVal;
    const high = rise(north) + (point.y / box.height) * (rise(south) - rise(north));
    form.elements.latitude.value = ((Math.atan(Math.sinh(high)) * 180) / Math.PI).toFixed(6);
    form.elements.longitude.value = (west + (point.x / box.width) * (east - west)).toFixed(6);
    form.elements.source.value = "map";
    here.setAttribute("transform", `translate(${point.x} ${point.y})`);
    here.removeAttribute("visibility");
  };
  map.addEventListener("pointerdown", (event) => { isDragging = true; put(event); });
  map.addEventListener("pointermove", (event) => { if (isDragging) put(event); });
  window.addEventListener("pointerup", () => { isDragging = false; });
  form.addEventListener("input", (event) => {
    if (event.isTrusted && event.target.name !== "is_sure") form.elements.source.value = "typed";
  });
})();
