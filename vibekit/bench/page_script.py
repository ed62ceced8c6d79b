"""The page's small script: a cursor on every plot, by pointer, touch or keyboard. The page is whole without it."""

SCRIPT = """
'use strict';
for (const plot of document.querySelectorAll('.plot')) {
  const source = plot.querySelector('script.reading');
  if (source) addCursor(plot, plot.querySelector('svg.chart'), JSON.parse(source.textContent));
}

function addCursor(plot, chart, data) {
  const last = data.x.length - 1;
  if (last < 1) return;
  const share = v => data.log ? Math.log(v / data.low) / Math.log(data.high / data.low)
                              : (v - data.low) / (data.high - data.low);
  const places = data.x.map(share);
  const marks = data.marks.map(([at, name]) => ({at: share(at), name, index: nearest(share(at))}));

  const hair = document.createElementNS('http://www.w3.org/2000/svg', 'line');
  hair.setAttribute('class', 'hair');
  hair.setAttribute('y1', '0');
  hair.setAttribute('y2', '100%');
  hair.setAttribute('visibility', 'hidden');
  chart.append(hair);

  const slider = document.createElement('input');
  slider.type = 'range';
  slider.min = 0;
  slider.max = last;
  slider.value = 0;
  slider.setAttribute('aria-label', 'Cursor: ' + plot.dataset.title);
  const output = document.createElement('output');
  output.textContent = 'Cursor: move over the plot, or use the slider and the arrow keys'
    + (marks.length ? '; Page Up and Page Down go from named line to named line.' : '.');
  slider.setAttribute('aria-valuetext', 'at the start');
  const box = document.createElement('div');
  box.className = 'cursor';
  box.append(slider, output);
  plot.after(box);

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

  function text(index) {
    const x = data.x[index];
    const said = [data.name + ' ' + digits(x, 4) + ' ' + data.unit];
    for (const one of data.series) said.push(one.name + ' ' + digits(one.y[index], 3) + ' ' + one.unit);
    if (data.turn) said.push('order ' + digits(x / data.turn.hz, 3) + ' of ' + data.turn.of);
    const here = marks.filter(m => m.index === index || Math.abs(m.at - places[index]) < 0.004);
    for (const mark of here) said.push(mark.name);
    return said.join(' \\u00b7 ');
  }

  function show(index) {
    slider.value = index;
    const reading = text(index);
    const place = (100 * places[index]).toFixed(3) + '%';
    hair.setAttribute('x1', place);
    hair.setAttribute('x2', place);
    hair.setAttribute('visibility', 'visible');
    output.textContent = reading;
    slider.setAttribute('aria-valuetext', reading);
  }

  function follow(event) {
    const box = chart.getBoundingClientRect();
    const place = Math.min(1, Math.max(0, (event.clientX - box.left) / box.width));
    const grip = marks.filter(m => Math.abs(m.at - place) * box.width < 5);
    grip.sort((a, b) => Math.abs(a.at - place) - Math.abs(b.at - place));
    show(grip.length ? grip[0].index : nearest(place));
  }

  chart.addEventListener('pointermove', follow);
  chart.addEventListener('pointerdown', follow);
  slider.addEventListener('input', () => show(Number(slider.value)));
  slider.addEventListener('keydown', event => {
    const step = event.key === 'PageDown' ? -1 : event.key === 'PageUp' ? 1 : 0;
    if (!step || !marks.length) return;
    const now = Number(slider.value);
    const ahead = marks.map(m => m.index).filter(i => step * (i - now) > 0).sort((a, b) => step * (a - b));
    if (ahead.length) show(ahead[0]);
    event.preventDefault();
  });
}
"""
