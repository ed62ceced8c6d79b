"""The page's small script: a cursor on every figure, by pointer, touch or keyboard. The page is whole without it."""

SCRIPT = """
'use strict';
for (const figure of document.querySelectorAll('figure')) {
  const plots = [];
  for (const plot of figure.querySelectorAll('.plot')) {
    const source = plot.querySelector('script.reading');
    if (source) plots.push({chart: plot.querySelector('svg.chart'), data: JSON.parse(source.textContent), plot});
  }
  if (plots.length) addCursor(plots);
}

// Values as they are, or from the start of an even grid, its step, and the steps taken.
function along(x) {
  if (Array.isArray(x)) return x;
  const steps = Array.isArray(x.steps) ? x.steps : Array(x.steps).fill(1);
  let count = 0;
  return [x.from, ...steps.map(step => x.from + x.step * (count += step))];
}

// One cursor for all plots of a figure; they share their x.
function addCursor(plots) {
  const data = plots[0].data;
  data.x = along(data.x);
  const last = data.x.length - 1;
  if (last < 1) return;
  const share = v => data.log ? Math.log(v / data.low) / Math.log(data.high / data.low)
                              : (v - data.low) / (data.high - data.low);
  const places = data.x.map(share);
  const marks = (data.marks || []).map(([at, name]) => ({at: share(at), name, index: nearest(share(at))}));
  const hairs = plots.map(({chart}) => addHair(chart));

  const slider = document.createElement('input');
  slider.type = 'range';
  slider.min = 0;
  slider.max = last;
  slider.value = 0;
  const names = plots.map(({chart}) => chart.querySelector('title').textContent);
  slider.setAttribute('aria-label', 'Cursor: ' + names.join(', '));
  slider.setAttribute('aria-valuetext', 'at the start');
  const output = document.createElement('output');
  output.textContent = marks.length
    ? 'Point, touch or slide to read values. Page Up and Page Down go from named line to named line.'
    : 'Point, touch or slide to read values.';
  const box = document.createElement('div');
  box.className = 'cursor';
  box.append(slider, output);
  plots[plots.length - 1].plot.after(box);

  function addHair(chart) {
    const hair = document.createElementNS('http://www.w3.org/2000/svg', 'line');
    hair.setAttribute('class', 'hair');
    hair.setAttribute('y1', '0');
    hair.setAttribute('y2', '100%');
    hair.setAttribute('visibility', 'hidden');
    chart.append(hair);
    return hair;
  }

  function nearest(place) {
    let low = 0, high = last;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (places[middle] < place) low = middle; else high = middle;
    }
    return place - places[low] < places[high] - place ? low : high;
  }

  function digits(value, count) {
    if (value === null) return 'not known';
    if (value === 0) return '0';
    const decimals = Math.max(0, count - 1 - Math.floor(Math.log10(Math.abs(value))));
    return value.toFixed(Math.min(decimals, 8));
  }

  function quantity(name, value, count, unit) {
    return [name, digits(value, count), unit].filter(Boolean).join(' ');
  }

  function text(index) {
    const x = data.x[index];
    const said = [quantity(data.name, x, 4, data.unit)];
    if (data.second) said.push(quantity(data.second[0], x * data.second[2], 4, data.second[1]));
    for (const one of plots)
      for (const series of one.data.series) said.push(quantity(series.name, series.y[index], 3, series.unit));
    for (const mark of marks)
      if (mark.index === index || Math.abs(mark.at - places[index]) < 0.003) said.push(mark.name);
    return said.join(' \\u00b7 ');
  }

  function show(index) {
    const reading = text(index);
    const place = (100 * places[index]).toFixed(3) + '%';
    for (const hair of hairs) {
      hair.setAttribute('x1', place);
      hair.setAttribute('x2', place);
      hair.setAttribute('visibility', 'visible');
    }
    slider.value = index;
    slider.setAttribute('aria-valuetext', reading);
    output.textContent = reading;
  }

  function follow(event) {
    const box = event.currentTarget.getBoundingClientRect();
    const place = Math.min(1, Math.max(0, (event.clientX - box.left) / box.width));
    const away = mark => Math.abs(mark.at - place) * box.width;
    const grip = marks.filter(mark => away(mark) < 5).sort((a, b) => away(a) - away(b));
    show(grip.length ? grip[0].index : nearest(place));
  }

  for (const {chart} of plots) {
    chart.addEventListener('pointermove', follow);
    chart.addEventListener('pointerdown', follow);
  }
  slider.addEventListener('input', () => show(Number(slider.value)));
  slider.addEventListener('keydown', event => {
    const step = event.key === 'PageDown' ? -1 : event.key === 'PageUp' ? 1 : 0;
    if (!step || !marks.length) return;
    const now = Number(slider.value);
    const ahead = marks.map(mark => mark.index).filter(i => step * (i - now) > 0).sort((a, b) => step * (a - b));
    if (ahead.length) show(ahead[0]);
    event.preventDefault();
  });
}
"""
