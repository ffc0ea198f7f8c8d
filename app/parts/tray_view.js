// The tray's photo with outlines: tap a fruit or a mark, zoom by pinch, wheel or button, draw around a missed mark.
const SVG = 'http://www.w3.org/2000/svg';
const FARTHEST = 12;

const made = (name, attributes, parent) => {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  if (parent) parent.append(element);
  return element;
};

const path = (rings) => rings.map((ring) => `M${ring.map((point) => point.join(' ')).join('L')}Z`).join('');

export default function (component) {
  const { data, parentElement, setTriggerValue } = component;
  const svg = parentElement.querySelector('svg');
  const status = parentElement.querySelector('[role=status]');
  const tools = Object.fromEntries(
    ['in', 'out', 'whole', 'draw'].map((name) => [name, parentElement.querySelector(`[data-${name}]`)]),
  );
  const { words, width, height } = data;
  tools.in.setAttribute('aria-label', words.nearer);
  tools.out.setAttribute('aria-label', words.farther);
  tools.whole.textContent = words.whole;
  tools.draw.textContent = words.draw;
  tools.draw.hidden = !data.may_draw;
  svg.setAttribute('aria-label', words.tray);

  const drawn = JSON.stringify([data.picture, data.fruit, data.marks, data.chosen, words]);
  const unit = Math.max(width, height) / 1000;
  if (parentElement.view === undefined || parentElement.photo !== data.photo) {
    parentElement.photo = data.photo;
    parentElement.view = { x: 0, y: 0, scale: 1 };
  }

  const show = () => {
    const { x, y, scale } = parentElement.view;
    svg.setAttribute('viewBox', `${x} ${y} ${width / scale} ${height / scale}`);
    svg.toggleAttribute('data-zoomed', scale > 1);
  };
  const zoomAt = (factor, px, py) => {
    const view = parentElement.view;
    const scale = Math.min(Math.max(view.scale * factor, 1), FARTHEST);
    const keep = (at, from) => at - (at - from) * (view.scale / scale);
    const inside = (value, most) => Math.min(Math.max(value, 0), most);
    parentElement.view = {
      scale,
      x: inside(keep(px, view.x), width - width / scale),
      y: inside(keep(py, view.y), height - height / scale),
    };
    show();
  };
  const zoomMiddle = (factor) => {
    const { x, y, scale } = parentElement.view;
    zoomAt(factor, x + width / scale / 2, y + height / scale / 2);
  };
  const place = (event) => {
    const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
    return [point.x, point.y];
  };

  if (parentElement.drawn !== drawn) {
    parentElement.drawn = drawn;
    svg.replaceChildren();
    made('image', { href: data.picture, width, height, x: 0, y: 0 }, svg);
    const outline = (one, kind) => {
      const group = made('g', { role: 'button', tabindex: 0, 'aria-label': one.words }, svg);
      const chosen = data.chosen && data.chosen[0] === kind && data.chosen[1] === one.number;
      group.toggleAttribute('data-chosen', chosen);
      if (chosen) group.setAttribute('aria-current', 'true');
      const line = kind === 'fruit' ? 1.6 : 2;
      const dashes = (one.dashes || []).map((dash) => dash * line * unit).join(' ');
      made('path', { d: path(one.rings), class: 'under', 'stroke-width': 2.4 * line * unit }, group);
      made('path', {
        d: path(one.rings), class: 'over', stroke: one.colour, 'stroke-width': line * unit, 'stroke-dasharray': dashes,
      }, group);
      if (kind === 'mark') made('path', { d: path(one.rings), class: 'reach' }, group);
      const size = (kind === 'fruit' ? 22 : 16) * unit;
      const label = made('text', { x: one.label[0], y: one.label[1], 'font-size': size, 'stroke-width': size / 4 }, group);
      label.textContent = one.short;
      const choose = () => { if (!parentElement.drawing && !parentElement.moved) setTriggerValue('tapped', [kind, one.number]); };
      group.onclick = choose;
      group.onkeydown = (event) => { if (event.key === 'Enter' || event.key === ' ') { event.preventDefault(); choose(); } };
    };
    data.fruit.forEach((one) => outline(one, 'fruit'));
    data.marks.forEach((one) => outline(one, 'mark'));
  }
  show();

  tools.in.onclick = () => zoomMiddle(1.6);
  tools.out.onclick = () => zoomMiddle(1 / 1.6);
  tools.whole.onclick = () => { parentElement.view = { x: 0, y: 0, scale: 1 }; show(); };
  tools.draw.onclick = () => {
    parentElement.drawing = !parentElement.drawing;
    tools.draw.setAttribute('aria-pressed', String(parentElement.drawing));
    svg.toggleAttribute('data-drawing', parentElement.drawing);
    status.textContent = parentElement.drawing ? words.how : '';
  };
  svg.onwheel = (event) => {
    if (!event.ctrlKey && parentElement.view.scale === 1 && event.deltaY > 0) return;
    event.preventDefault();
    zoomAt(event.deltaY < 0 ? 1.2 : 1 / 1.2, ...place(event));
  };

  const fingers = new Map();
  let line = null;
  let apart = 0;
  svg.onpointerdown = (event) => {
    fingers.set(event.pointerId, event);
    parentElement.moved = false;
    if (parentElement.drawing) {
      svg.setPointerCapture(event.pointerId);
      line = [place(event)];
      parentElement.sketch = made('path', { class: 'drawn', 'stroke-width': 2 * unit }, svg);
    }
  };
  svg.onpointermove = (event) => {
    const before = fingers.get(event.pointerId);
    if (!before) return;
    if (line) {
      line.push(place(event));
      parentElement.sketch.setAttribute('d', path([line]));
      return;
    }
    fingers.set(event.pointerId, event);
    if (fingers.size === 2) {
      const [a, b] = [...fingers.values()];
      const now = Math.hypot(a.clientX - b.clientX, a.clientY - b.clientY);
      const middle = { clientX: (a.clientX + b.clientX) / 2, clientY: (a.clientY + b.clientY) / 2 };
      if (apart) zoomAt(now / apart, ...place(middle));
      apart = now;
      parentElement.moved = true;
    } else if (parentElement.view.scale > 1) {
      const [x, y] = place(event);
      const [fromX, fromY] = place(before);
      const far = Math.hypot(event.clientX - before.clientX, event.clientY - before.clientY);
      if (far > 2) parentElement.moved = true;
      const view = parentElement.view;
      view.x = Math.min(Math.max(view.x + fromX - x, 0), width - width / view.scale);
      view.y = Math.min(Math.max(view.y + fromY - y, 0), height - height / view.scale);
      show();
    }
  };
  const lift = (event) => {
    fingers.delete(event.pointerId);
    apart = 0;
    if (!line) return;
    const ring = line.filter((_, index) => index % Math.max(1, Math.floor(line.length / 200)) === 0);
    parentElement.sketch.remove();
    line = null;
    tools.draw.onclick();
    if (ring.length > 2) setTriggerValue('outlined', ring.map(([x, y]) => [Math.round(x), Math.round(y)]));
    else status.textContent = words.again;
  };
  svg.onpointerup = lift;
  svg.onpointercancel = lift;
}
