'use strict';
// A page held in this one opens in a frame when it is asked for: it is large, and asks for sound.
for (const button of document.querySelectorAll('button[data-opens]')) {
  button.addEventListener('click', () => {
    const frame = document.createElement('iframe');
    frame.title = button.textContent;
    frame.allow = 'autoplay; midi';
    frame.srcdoc = JSON.parse(document.getElementById(button.dataset.opens).textContent);
    button.replaceWith(frame);
    frame.focus();
  });
}
// One sound at a time.
document.addEventListener('play', (event) => {
  for (const each of document.querySelectorAll('audio')) if (each !== event.target) each.pause();
}, true);
