// A stretch of time is looked at closer, or wider: by dragging over it, wheel, two fingers, two taps, keys.
"use strict";

// `axis` gives where the shown time begins and ends in the window; `look` is asked for what is to be shown, in
// parts of that: 0 its beginning, 1 its end. A button's value 1 is closer, -1 wider.
function zoomable(region, axis, look, buttons) {
  const picture = region.firstElementChild, chosen = document.createElement("div");
  chosen.className = "chosen";
  const share = (x, [left, right] = axis()) => (x - left) / (right - left);
  const around = (at, times) => look(at - at / times, at + (1 - at) / times);
  const middle = () => {
    const box = region.getBoundingClientRect();
    return Math.min(Math.max(share(box.left + box.width / 2), 0), 1);
  };
  const preview = (first, last, [left, right]) => {
    const times = 1 / (last - first), box = region.getBoundingClientRect();
    picture.style.transformOrigin = `${left - box.left + region.scrollLeft}px 0`;
    picture.style.transform = `translateX(${-first * times * (right - left)}px) scaleX(${times})`;
  };
  for (const button of buttons) button.addEventListener("click", () => around(middle(), 2 ** Number(button.value)));

  const keys = { "+": 2, "=": 2, "-": 0.5, "−": 0.5 }, ways = { ArrowLeft: -0.25, ArrowRight: 0.25 };
  region.addEventListener("keydown", event => {
    if (event.target !== region || event.ctrlKey || event.altKey || event.metaKey) return;
    if (event.key in keys) around(middle(), keys[event.key]);
    else if (event.key in ways) look(ways[event.key], 1 + ways[event.key]);
    else return;
    event.preventDefault();
  });

  let turned = null, rests;  // one turn of the wheel is many events
  region.addEventListener("wheel", event => {
    const ours = event.ctrlKey || document.activeElement === region;  // else the page is scrolled
    if (!ours || Math.abs(event.deltaX) > Math.abs(event.deltaY)) return;
    event.preventDefault();
    turned ??= { axis: axis(), at: share(event.clientX), times: 1 };
    turned.times *= 2 ** (-event.deltaY * (event.deltaMode ? 30 : 1) / 240);
    const { at, times } = turned;
    preview(at - at / times, at + (1 - at) / times, turned.axis);
    clearTimeout(rests);
    rests = setTimeout(() => { turned = null; around(at, times); }, 200);
  }, { passive: false });

  let begun = null;
  const end = () => { begun = null; chosen.remove(); };
  region.addEventListener("pointerdown", event => {
    if (event.pointerType !== "mouse" || event.button) return;
    begun = event.clientX;
    region.setPointerCapture(event.pointerId);
  });
  region.addEventListener("pointermove", event => {
    if (begun === null || Math.abs(event.clientX - begun) < 8) return;
    const box = region.getBoundingClientRect(), from = Math.min(begun, event.clientX);
    chosen.style.left = `${from - box.left + region.scrollLeft}px`;
    chosen.style.width = `${Math.abs(event.clientX - begun)}px`;
    if (!chosen.isConnected) region.append(chosen);
  });
  region.addEventListener("pointerup", event => {
    const ends = [begun, event.clientX].sort((a, b) => a - b).map(x => share(x)), drawn = chosen.isConnected;
    end();
    if (drawn) look(Math.max(ends[0], 0), Math.min(ends[1], 1));
  });
  region.addEventListener("pointercancel", end);
  region.addEventListener("dblclick", event => around(share(event.clientX), 2));

  let pinch = null, touched = null, tapped = null;
  const two = event => [...event.touches].slice(0, 2).map(it => it.clientX).sort((a, b) => a - b);
  const apart = (one, other) => Math.hypot(one.x - other.x, one.y - other.y);
  const pinched = () => {
    const [a, b] = pinch.shares, [p, q] = pinch.now.map(x => share(x, pinch.axis));
    const wide = Math.max(b - a, 0.05) / Math.max(q - p, 0.05);  // fingers above each other hold no length
    return [a - p * wide, a - p * wide + wide];
  };
  region.addEventListener("touchstart", event => {
    const [touch] = event.changedTouches;
    touched = event.touches.length === 1 ? { x: touch.clientX, y: touch.clientY, at: event.timeStamp } : null;
    if (event.touches.length !== 2) return;
    event.preventDefault();
    pinch = { axis: axis(), shares: two(event).map(x => share(x)), now: two(event) };
  }, { passive: false });
  region.addEventListener("touchmove", event => {
    if (!pinch || event.touches.length < 2) return;
    event.preventDefault();
    pinch.now = two(event);
    preview(...pinched(), pinch.axis);
  }, { passive: false });
  region.addEventListener("touchend", event => {
    if (pinch) {
      const wanted = pinched(), moved = pinch.now.some((x, which) => share(x, pinch.axis) !== pinch.shares[which]);
      pinch = null;
      if (moved) look(...wanted);
      return;
    }
    const [touch] = event.changedTouches, here = { x: touch.clientX, y: touch.clientY, at: event.timeStamp };
    const tap = touched && apart(here, touched) < 10 && here.at - touched.at < 300;
    if (tap && tapped && here.at - tapped.at < 400 && apart(here, tapped) < 40) {
      event.preventDefault();  // else it is told once more, as a double click
      tapped = null;
      around(share(here.x), 2);
    } else tapped = tap ? here : null;
  });
  region.addEventListener("touchcancel", () => { pinch = touched = tapped = null; picture.style.transform = ""; });
}
