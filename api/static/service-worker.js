// Shows what the service pushes, also while the page is closed. It keeps nothing and answers no requests.

const ICON = "/static/icon-192.png";

self.addEventListener("push", (event) => {
  const told = event.data?.json() ?? { title: "Restvolt", text: "Something happened: open the page." };
  const where = told.battery_id ? `/#/battery/${encodeURIComponent(told.battery_id)}` : "/#/rounds";
  event.waitUntil(self.registration.showNotification(told.title, {
    body: told.text, icon: ICON, badge: ICON, tag: told.alert_id ?? told.title, renotify: true, requireInteraction: told.priority === "high", data: { where },
  }));
});

self.addEventListener("notificationclick", (event) => {
  event.notification.close();
  const { where } = event.notification.data;
  event.waitUntil((async () => {
    const pages = await self.clients.matchAll({ type: "window", includeUncontrolled: true });
    if (pages.length === 0) return self.clients.openWindow(where);
    await pages[0].focus();
    return pages[0].navigate(where).catch(() => self.clients.openWindow(where));
  })());
});
