"use strict";
/* At the press of the button, and only then, the phone is asked where it is. */
(function keepHere() {
  const form = document.getElementById("here-form");
  const button = document.getElementById("keep-here");
  if (!form || !button || !navigator.geolocation) return;
  button.hidden = false;
  const fail = () => { button.disabled = false; document.getElementById("no-position").hidden = false; };
  button.addEventListener("click", () => {
    button.disabled = true;
    navigator.geolocation.getCurrentPosition(({ coords }) => {
      if (coords.accuracy > 1000) { fail(); return; }
      form.elements.latitude.value = coords.latitude.toFixed(6);
      form.elements.longitude.value = coords.longitude.toFixed(6);
      form.elements.accuracy_m.value = Math.ceil(coords.accuracy);
      form.submit();
    }, fail, { enableHighAccuracy: true, timeout: 20000, maximumAge: 0 });
  });
})();
