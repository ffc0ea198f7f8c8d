// Sends chosen photos to the server one after the other, each as the body of its own request: the page holds no photo,
// and a phone's own camera opens through the file picker even on plain http.
const STRIP = 'photo-drop-list';

export default function (component) {
  const { data, parentElement, setTriggerValue } = component;
  const words = data.words;
  const picker = parentElement.querySelector('input');
  const label = parentElement.querySelector('label');
  const caption = parentElement.querySelector('[data-caption]');
  const hint = parentElement.querySelector('[data-hint]');
  const list = parentElement.querySelector('ul');
  const bar = parentElement.querySelector('progress');
  const said = parentElement.querySelector('[role=status]');
  caption.textContent = words.choose;
  hint.textContent = words.hint;
  bar.setAttribute('aria-label', words.sending);
  list.className = STRIP;

  const send = async (file) => {
    const address = `${data.address}?name=${encodeURIComponent(file.name)}`;
    const answer = await fetch(address, {
      method: 'POST',
      body: file,
      headers: {
        'X-Scorer-Delivery': 'yes',
        'Content-Type': 'application/octet-stream',
        'Accept-Language': data.language, // that of the page; the browser would ask for its own
      },
      credentials: 'same-origin',
    });
    const told = await answer.json().catch(() => ({ refused: words.lost }));
    if (!answer.ok) throw new Error(told.refused || words.lost);
    return told;
  };

  const take = async (files) => {
    if (!files.length || parentElement.sending) return;
    parentElement.sending = true;
    label.setAttribute('data-busy', '');
    list.replaceChildren();
    bar.hidden = false;
    bar.max = files.length;
    let sent = 0;
    for (const [index, file] of files.entries()) {
      bar.value = index;
      said.textContent = `${words.sending} ${index + 1} / ${files.length}`;
      try {
        sent += (await send(file)).photos;
        if (index === 0 || index % 8 === 7) setTriggerValue('handed', { sent, of: files.length });
      } catch (error) {
        const line = document.createElement('li');
        line.textContent = `${file.name}: ${error.message === 'Failed to fetch' ? words.lost : error.message}`;
        list.append(line);
      }
    }
    bar.hidden = true;
    said.textContent = '';
    parentElement.sending = false;
    label.removeAttribute('data-busy');
    picker.value = '';
    setTriggerValue('handed', { sent, of: files.length, ended: Date.now() });
  };

  picker.onchange = () => take([...picker.files]);
  label.ondragover = (event) => { event.preventDefault(); label.setAttribute('data-over', ''); };
  label.ondragleave = () => label.removeAttribute('data-over');
  label.ondrop = (event) => {
    event.preventDefault();
    label.removeAttribute('data-over');
    take([...event.dataTransfer.files]);
  };
}
